"""Capillary-pressure curves: how much of a solid a liquid fills as its pressure rises slowly.

The liquid stands at its inlet from far below every entry pressure; as its pressure rises, each tube
fills at its hardest place (:mod:`poresim.curves.entry`) once liquid stands at one of its ends, or
at both. Gravity is left out. A tube counts when it is full: what stands in it before, up to its
waist, does not; a junction's body counts when its junction is reached.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.brief import Brief, Rows, span, volume
from poresim.curves.entry import Entry, entry_pressures
from poresim.curves.invasion import Invasion, invade
from poresim.liquid.liquid import Liquid
from poresim.solid.network import Network

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TRAPPING = ("none", "pockets", "tubes")
MERCURY_TENSION, MERCURY_ANGLE_DEG = 0.48, 140.0  # N/m, degrees: common practice


@dataclass(frozen=True, eq=False, repr=False)
class InvasionCurve(Brief):
    """What fills at which pressure. ``n`` junctions, ``m`` tubes, ``k`` pressures.

    pressure_Pa : (k,) gauge pressures of the liquid at which something fills, rising. Negative:
        the liquid is drawn in, and the capillary pressure (suction) is what is below 0.
    volume_m3 : (k,) liquid in tubes and bodies once a pressure has been reached.
    pore_volume_m3 : volume of all tubes and bodies.
    filled_at_Pa : (m,) pressure that fills each tube; inf = never.
    reached_at_Pa : (n,) pressure that brings liquid to each junction; -inf at the inlet,
        inf = never.
    surface_tension (N/m), contact_angle_deg : of the liquid.
    """

    pressure_Pa: Floats
    volume_m3: Floats
    pore_volume_m3: float
    filled_at_Pa: Floats
    reached_at_Pa: Floats
    surface_tension: float
    contact_angle_deg: float

    def _told(self) -> tuple[str, Rows]:
        end = 100 * float(self.saturation[-1]) if len(self.pressure_Pa) else 0.0
        return "Curve of what fills at which pressure", [
            ("pressures", f"{len(self.pressure_Pa):,}"),
            ("gauge pressure", f"{span(self.pressure_Pa)} Pa" if len(self.pressure_Pa) else "none"),
            ("full in the end", f"{end:.3g} % of {volume(self.pore_volume_m3)}"),
        ]

    @property
    def saturation(self) -> Floats:
        """(k,) volume over the pore volume."""
        return np.minimum(self.volume_m3 / self.pore_volume_m3, 1.0)

    @property
    def capillary_pressure_Pa(self) -> Floats:
        """(k,) pressure of what is displaced over that of the liquid, falling."""
        return -self.pressure_Pa

    @property
    def equivalent_diameter_m(self) -> Floats:
        """(k,) of the straight tube that fills at each pressure; NaN where the sign forbids it.

        4 gamma |cos angle| / |pressure| (Washburn 1921, as porosimeters report it).
        """
        pull = -4 * self.surface_tension * math.cos(math.radians(self.contact_angle_deg))
        with np.errstate(divide="ignore"):
            width = pull / self.pressure_Pa
        return np.where(width > 0, width, np.nan)

    def saturation_at(self, pressure: ArrayLike) -> Floats:
        """Saturation once these gauge pressures, Pa, have been reached."""
        place = np.searchsorted(self.pressure_Pa, np.asarray(pressure, dtype=float), side="right")
        return np.append(0.0, self.saturation)[place]


def invasion_curve(
    solid: Network,
    liquid: Liquid,
    inlet: ArrayLike,
    *,
    trapping: str = "none",
    outlet: ArrayLike | None = None,
) -> InvasionCurve:
    """A liquid enters at the inlet junctions as its pressure rises from far below.

    The liquid's advancing angle counts; below 90 degrees this is imbibition.

    trapping : what happens to what is displaced. "none": it always leaves. "pockets": it leaves
        through dry junctions to an outlet, and pockets that are cut off (dead ends too) stay as
        they are; what alone remains in a tube whose two ends are wet is taken to leave. "tubes":
        that stays too.
    outlet : junctions through which it leaves; None: all that lie on the block's faces and are
        no inlet, and without faces all that are no inlet.

    Raises ValueError: a junction that does not exist, no inlet, an unknown trapping.
    """
    return _curve(solid, liquid.surface_tension, liquid.contact_angle_deg, inlet, trapping, outlet)


def intrusion_curve(
    solid: Network,
    inlet: ArrayLike | None = None,
    *,
    surface_tension: float = MERCURY_TENSION,
    contact_angle_deg: float = MERCURY_ANGLE_DEG,
) -> InvasionCurve:
    """A liquid that does not wet enters an evacuated solid, as in mercury porosimetry.

    inlet : junctions; None: all that lie on the block's faces. The default tension (N/m) and angle
    of mercury are common practice. Raises ValueError as :func:`invasion_curve` does, and without
    inlet and faces.
    """
    if not 90 < contact_angle_deg <= 180:
        raise ValueError(
            f"contact_angle_deg must lie above 90 and up to 180, got {contact_angle_deg:g}"
        )
    if not (math.isfinite(surface_tension) and surface_tension > 0):
        raise ValueError(f"surface_tension must be above 0 (N/m), got {surface_tension:g}")
    if inlet is None:
        inlet = on_faces(solid)
        if len(inlet) == 0:
            raise ValueError("the network has no faces: say at which junctions the liquid enters")
    return _curve(solid, surface_tension, contact_angle_deg, inlet, "none", None)


def on_faces(solid: Network) -> Ints:
    """Junctions that lie on any face of the block, rising."""
    found = [np.asarray(on, dtype=np.int64) for on in solid.faces.values()]
    return np.unique(np.concatenate([*found, np.empty(0, np.int64)]))


def _curve(
    solid: Network,
    tension: float,
    angle_deg: float,
    inlet: ArrayLike,
    trapping: str,
    outlet: ArrayLike | None,
) -> InvasionCurve:
    if trapping not in TRAPPING:
        raise ValueError(f"trapping must be one of {', '.join(TRAPPING)}, got {trapping!r}")
    start = _junctions("inlet", inlet, solid.junctions)
    if len(start) == 0:
        raise ValueError("inlet names no junction: the liquid enters nowhere")
    leaves = None
    if trapping != "none":
        leaves = (
            np.setdiff1d(_vents(solid), start)
            if outlet is None
            else _junctions("outlet", outlet, solid.junctions)
        )
    entry = entry_pressures(solid, tension, angle_deg)
    found = invade(solid.ends, start, solid.junctions, tube_rank=entry.through, outlet=leaves)
    reached = np.where(found.kept_out, np.inf, found.level)[: solid.junctions]
    filled = _filled_at(solid, entry, found, reached, trapping)
    pressure, volume, all_of_it = _sums(solid, filled, reached, entry)
    return InvasionCurve(pressure, volume, all_of_it, filled, reached, tension, angle_deg)


def _filled_at(
    solid: Network, entry: Entry, found: Invasion, reached: Floats, trapping: str
) -> Floats:
    """(m,) from one end through the waist, or from both ends up to it, whichever comes first."""
    filled = np.where(found.kept_out[solid.junctions :], np.inf, found.tube_level)
    if trapping == "tubes":
        return filled
    both = np.maximum(reached[solid.ends[:, 0]], reached[solid.ends[:, 1]])
    return np.minimum(filled, np.maximum(both, entry.to_waist))


def _sums(
    solid: Network, filled: Floats, reached: Floats, entry: Entry
) -> tuple[Floats, Floats, float]:
    """Pressures at which something fills, volume filled by then, volume of everything."""
    level, volume = filled, solid.tube_volume
    body = np.asarray(getattr(solid, "body_volume", 0.0), dtype=float)
    if np.any(body > 0):
        # bodies at the inlet are filled before the first tube is
        at = np.maximum(reached, entry.through.min())
        level = np.concatenate([level, at])
        volume = np.concatenate([volume, np.broadcast_to(body, solid.junctions)])
    whole = float(volume.sum())
    ever = np.isfinite(level)
    pressure, place = np.unique(level[ever], return_inverse=True)
    return pressure, np.cumsum(np.bincount(place, volume[ever], len(pressure))), whole


def _vents(solid: Network) -> Ints:
    faces = on_faces(solid)
    return faces if len(faces) else np.arange(solid.junctions)


def _junctions(name: str, given: ArrayLike, n: int) -> Ints:
    raw = np.atleast_1d(np.asarray(given))
    if raw.ndim != 1 or (raw.size and raw.dtype.kind not in "iu"):
        raise ValueError(f"{name} must be junction indices, whole numbers, got {raw.dtype}")
    bad = (raw < 0) | (raw >= n)
    if bad.any():
        raise ValueError(f"{name} names junction {raw[bad][0]}, but there are only 0 to {n - 1}")
    return np.unique(raw.astype(np.int64))
