"""Contact angles on faces that are rough or patchy, and under a line that moves.

Angles in degrees, measured in the liquid; arguments broadcast; single numbers give a float.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid.properties import Floats, plain, within

_LARGE = 1e6


def wenzel(angle_deg: ArrayLike, roughness: ArrayLike) -> Any:
    """Apparent angle on a rough face of one stuff, wetted everywhere: cos t* = r cos t.

    angle_deg : on the smooth face. roughness : true over projected area, at least 1.

    Where the cosine would pass 1 the liquid spreads (0), where it would pass -1 it stands off
    (180). Wenzel 1936 (from memory).
    """
    angle = _angle("angle_deg", angle_deg)
    return _degrees(within("roughness", roughness, 1, _LARGE) * np.cos(angle))


def cassie_baxter(angle_deg: ArrayLike, wetted_share: ArrayLike) -> Any:
    """Apparent angle on a flat face of which a share is wetted, with air under the rest.

    cos t* = f (cos t + 1) - 1. angle_deg : on the solid part. wetted_share : 0 to 1.

    Cassie & Baxter 1944 (from memory).
    """
    angle = _angle("angle_deg", angle_deg)
    return _degrees(within("wetted_share", wetted_share, 0, 1) * (np.cos(angle) + 1) - 1)


def cox_voinov(
    static_angle_deg: ArrayLike, capillary_number: ArrayLike, log_ratio: ArrayLike
) -> Any:
    """Angle at a moving line: t^3 = t0^3 + 9 Ca ln(L / l), in radians.

    static_angle_deg : of the line at rest.
    capillary_number : viscosity times speed over surface tension, above 0 when it advances, below
    when it recedes. log_ratio : ln of the outer length (a radius) over the inner one (nm), about
    10.

    For slow lines, Ca up to about 0.01, and angles up to about 135. Ends at 0 (a film is left
    behind) and at 180 (air is carried in). Voinov 1976, Tanner 1979, Cox 1986.
    """
    angle = _angle("static_angle_deg", static_angle_deg)
    speed = within("capillary_number", capillary_number, -_LARGE, _LARGE)
    ratio = within("log_ratio", log_ratio, 1e-6, _LARGE)
    cube = angle**3 + 9 * speed * ratio
    return plain(np.degrees(np.minimum(np.cbrt(np.maximum(cube, 0.0)), np.pi)))


def jiang(static_angle_deg: ArrayLike, capillary_number: ArrayLike) -> Any:
    """Angle at an advancing line: (cos t0 - cos t) / (cos t0 + 1) = tanh(4.96 Ca^0.702).

    static_angle_deg : of the line at rest. capillary_number : viscosity times speed over surface
    tension, at least 0.

    A fit of Hoffman's
    measurements in tubes. Jiang, Oh & Slattery 1979, J Colloid Interface Sci 69:74 (from memory).
    """
    cosine = np.cos(_angle("static_angle_deg", static_angle_deg))
    speed = within("capillary_number", capillary_number, 0, _LARGE)
    return _degrees(cosine - (cosine + 1) * np.tanh(4.96 * speed**0.702))


def _angle(name: str, degrees: ArrayLike) -> Any:
    """In radians."""
    return np.radians(within(name, degrees, 0, 180, "degrees"))


def _degrees(cosine: Floats) -> Any:
    return plain(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))
