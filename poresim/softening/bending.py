"""At which force a bar of unevenly softened fibres snaps.

The section is a rectangle of even fibres across its height, each with a strength of its own: the
stress that it bears, alike in tension and compression. The bar carries the largest moment that any
stresses within the strengths, |stress| <= s, can make while they pull as much as they push (limit
analysis, lower-bound theorem: Drucker, Prager & Greenberg 1952, Q Appl Math 9:381, from memory).
They change sign where half the strength lies above and half below, so with z the height

    largest moment = width * integral of s(z) |z - c| dz,  c: the median of s(z),

which is also the least of that integral over all c (the dual problem). Each of these integrals
falls, or stays, as any strength falls, and so does the least of them: **weakening a fibre can never
make a bar stronger**.

A brittle solid does not reach that moment, as its outer fibres break before the inner ones bear
all they can. The capacity is therefore the largest moment over 1.5, which is what a uniform
rectangle of elastic fibres carries when the outermost breaks, s b h^2 / 6. So it is right for
a bar of one strength, dry or soaked, and for a sound core within skins that have lost theirs. Of
other profiles it is an estimate. Beside it, elastic fibres whose stiffness goes with their
strength, up to the first break, once skins too weak to be of use are cut away: where water comes in
by diffusion and softens by a Fermi law, ours was 1 to 18 % more than theirs in the cases tried;
where strength falls straight from face to face, 43 % more; for a thin crust around nothing, a third
less. Those fibres are not used because weakening one can make such a bar stronger (it moves the
neutral line), and because a skin without strength still counts as height.

Left out: that a brittle solid mostly bears more in compression, notches, and larger flaws in larger
bars.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid.properties import Floats, as_numbers, between, plain, within

_LARGE = 1e12
_PLASTIC_OVER_ELASTIC = 1.5  # largest moments of a uniform rectangle: b h^2 / 4 over b h^2 / 6
_LEVERS = {"three-point": 4.0, "cantilever": 1.0}  # force times span, over the largest moment


def moment_capacity(strength: ArrayLike, height: float, width: float) -> Any:
    """(...) Bending moment that a section carries, N m; see the top of this file.

    strength : (..., n) Pa, at least 0, of n even fibres from bottom to top. height, width : m, of
    the section. Of cells across the width, give the mean over them: exact where the left is as the
    right, and an upper bound elsewhere. A float for one section.
    """
    s = _strengths(strength)
    n = s.shape[-1]
    edges = np.linspace(0.0, 1.0, n + 1)
    c = _median(s)[..., None]
    arm = (edges - c) * np.abs(edges - c) / 2  # integral of |z - c|
    moment = (s * np.diff(arm, axis=-1)).sum(axis=-1)
    b, h = _one("width", width), _one("height", height)
    return plain(moment * b * h**2 / _PLASTIC_OVER_ELASTIC)


def snap_force(
    strength: ArrayLike, height: float, width: float, span: float, support: str = "three-point"
) -> Any:
    """(...) Force at which a bar snaps, N, from the capacity of its section: see moment_capacity.

    span : m; on two supports with the force midway ("three-point") 4 M / span, held at one end with
    the force at the other ("cantilever") M / span. Of one strength s these are 2 s b h^2 / (3 span)
    and s b h^2 / (6 span). The section is taken to be the same all along, and the bar's own weight
    is left out.
    """
    if support not in _LEVERS:
        known = " or ".join(repr(name) for name in _LEVERS)
        raise ValueError(f"support must be {known}, got {support!r}")
    lever = _LEVERS[support] / _one("span", span)
    return moment_capacity(strength, height, width) * lever


def _median(s: Floats) -> Floats:
    """(...) Height, as a share of the section's, below which half the strength lies."""
    n = s.shape[-1]
    below = np.cumsum(s, axis=-1)
    half = below[..., -1:] / 2
    at = np.argmax(below >= half, axis=-1)[..., None]
    own = np.take_along_axis(s, at, axis=-1)
    over = np.take_along_axis(below, at, axis=-1) - half
    share = 1 - np.divide(over, own, out=np.full_like(own, 0.5), where=own > 0)
    return np.asarray(((at + np.clip(share, 0, 1)) / n)[..., 0])


def _strengths(strength: ArrayLike) -> Floats:
    s = as_numbers("strength", strength)
    if s.ndim == 0 or s.shape[-1] == 0:
        raise ValueError(f"strength must hold at least one fibre, (..., n), got shape {s.shape}")
    return within("strength", s, 0, _LARGE, "Pa")


def _one(name: str, value: float) -> float:
    number = between(name, value, 0)
    if number.ndim:
        raise ValueError(f"{name} must be a single number, got shape {number.shape}")
    return float(number)
