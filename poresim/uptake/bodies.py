"""Bodies: the hollows at junctions, which fill before the liquid goes on.

A body is marched as one more tube, with an end of its own behind it that nothing reaches. Liquid
that arrives at its junction stands in the body's mouth: the junction's other tubes start when it is
full. While it fills, the pressure at the junction is -2 gamma cos(theta) / R (Young-Laplace in a
sphere of its radius R, the advancing angle when it fills, the receding one when it empties into
finer tubes), but for a small rise with what it holds, so that volume is a function of pressure.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from poresim.solid.network import Network
from poresim.tube.jit import inner

if TYPE_CHECKING:
    from poresim.uptake.inputs import Asked

_RISE = 0.1  # times accuracy and 2 gamma / R: by how much its pressure rises from empty to full


def with_bodies(solid: Network) -> tuple[Network, np.ndarray]:
    """The network with a tube for each body, behind its own; and the junctions that have one.

    The tube is as wide and holds as much as the body. It leads from the junction to an end of its
    own at the same place.
    """
    at = np.flatnonzero(solid.body_volume > 0)
    if len(at) == 0:
        return solid, at
    radius, volume = solid.body_radius[at], solid.body_volume[at]
    ends = np.column_stack([at, solid.junctions + np.arange(len(at))])
    whole = Network(
        np.concatenate([solid.points, solid.points[at]]),
        np.concatenate([solid.ends, ends]),
        np.concatenate([solid.radius, radius]),
        length=np.concatenate([solid.length, volume / (np.pi * radius**2)]),
        waist=np.concatenate([solid.waist, np.ones(len(at))]),
        span=np.concatenate([solid.span, np.zeros((len(at), 3))]),
        size=solid.size,
    )
    return whole, at


def asked_of_all(asked: Asked, at: np.ndarray) -> Asked:
    """What was asked, with the depths of more junctions, that stand at those places."""
    return replace(asked, depth=np.concatenate([asked.depth, asked.depth[at]]))


@inner
def body_takes(wetting, tube, pressure):
    """(volume, d volume / d pressure) that a body takes until its junction has that pressure."""
    whole = math.pi * tube.radius * tube.radius * tube.length
    held = whole * tube.x0 / tube.length
    steep = whole * tube.radius / (wetting.rise * wetting.pull)
    middle = 0.5 * whole - held
    up = steep * (pressure + wetting.advance_cos / tube.radius) + middle
    if up > 0.0:
        return up, steep
    down = steep * (pressure + wetting.recede_cos / tube.radius) + middle
    if down >= 0.0 or held <= 0.0:
        return 0.0, 0.0
    if down <= -held:
        return -held, 0.0
    return down, steep


def rise_of(accuracy: float) -> float:
    """By how much a body's pressure rises as it fills, over 2 gamma / R."""
    return _RISE * accuracy


@inner
def feeds(node, tube):
    """Whether liquid stands at the tube's end at that junction."""
    return node.feeds or (node.wet and tube.body)
