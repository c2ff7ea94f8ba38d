"""What a record holds, as plain attributes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from poresim.brief import Brief, Rows
from poresim.liquid.laws import ViscosityLaw
from poresim.outcome.words import mass, percent, seconds
from poresim.record.layout import AIR, DROP, DROPS, FAILS, FILM, GRAINS, SOAK, SOFT
from poresim.solid.network import Network
from poresim.uptake.result import BENCH_RATE, Ending, Soak

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from poresim.softening.bar import Softened

Floats = NDArray[np.float64]


class Fills(Protocol):
    """Wet shares of every tube, one snapshot at a time: an array, or rows read from the file."""

    def __getitem__(self, index: int, /) -> NDArray[np.float32]: ...
    def __len__(self) -> int: ...


@dataclass(frozen=True, eq=False, repr=False)
class Repeat(Brief):
    """One soak of one solid by one liquid. ``k`` times, ``m`` tubes, ``n`` junctions.

    The arrays are those of :class:`poresim.uptake.result.Soak`, with the uptake as a mass:
    time_s (k,), uptake_kg (k,), saturation (k,), front_m (k, 5), front_mean_m (k,),
    front_width_m (k,), filled_at_s (m,), wetted_at_s (n,), blocked_at_s (m,),
    snapshot_time_s (s,). snapshot_fill[i] gives (m, 2), read from the file when asked for. ending,
    steps, solves, volume_balance and accuracy are as there.

    At which shear rates the liquid was used (NaN where that is not known, as in older records):
    wall_shear_rate_1_s : (3,) below which 10, 50 and 90 % of the viscous dissipation took place.
    effective_viscosity_Pa_s, viscosity_at_50_1_s_Pa_s : at the second of these, and at 50 1/s.
    extrapolated_share : (2,) of the dissipation below and above all that was measured of a flow
        curve; NaN for other laws.

    Grains by size class (c; 0 without grains, or where none can be caught), m3:
    class_diameter_m (c,) m, carried_in_m3, suspended_m3, captured_m3, left_m3, cake_m3, cup_m3 and
    offered_share (k, c), cake_thickness_m and front_fraction (k,), captured_in_tube_m3 (m, c).

    Where the liquid was one drop, or several of one volume after another (else of no length): what
    is left on the face, its contact angle, the radius of its base and the height of its apex,
    drop_m3, drop_angle_deg, drop_base_m and drop_height_m (k,). Where it was several, also what had
    been set down so far, dispensed_m3 (k,): where one came there are two rows, before it and after.

    Where a film hangs on the solid when it is lifted out (else of no length): film_m3 (k,).

    Where air can be trapped (else of no length): the share of the pores that it fills, its pressure
    (absolute) times its volume, and that of what has left as bubbles, J, and the uptake of the
    same soak with air that leaves at once, trapped_share, trapped_pv_J, bubbled_pv_J and
    free_uptake_kg (k,).

    Where walls soften (:class:`poresim.softening.bar.Softened`; else of no length): snap_force_N,
    capacity_Nm and weight_Nm (k,), strength_Pa (k, layers); fails_at_s (NaN = never).
    """

    time_s: Floats
    uptake_kg: Floats
    saturation: Floats
    front_m: Floats
    front_mean_m: Floats
    front_width_m: Floats
    filled_at_s: Floats
    wetted_at_s: Floats
    blocked_at_s: Floats
    snapshot_time_s: Floats
    snapshot_fill: Fills
    ending: Ending
    steps: int
    solves: int
    volume_balance: float
    accuracy: float
    wall_shear_rate_1_s: Floats = field(default_factory=lambda: np.full(3, np.nan))
    effective_viscosity_Pa_s: float = float("nan")
    viscosity_at_50_1_s_Pa_s: float = float("nan")
    extrapolated_share: Floats = field(default_factory=lambda: np.full(2, np.nan))
    class_diameter_m: Floats = field(default_factory=lambda: np.zeros(0))
    carried_in_m3: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    suspended_m3: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    captured_m3: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    left_m3: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    cake_m3: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    cake_thickness_m: Floats = field(default_factory=lambda: np.zeros(0))
    front_fraction: Floats = field(default_factory=lambda: np.zeros(0))
    offered_share: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    cup_m3: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    captured_in_tube_m3: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    drop_m3: Floats = field(default_factory=lambda: np.zeros(0))
    drop_angle_deg: Floats = field(default_factory=lambda: np.zeros(0))
    drop_base_m: Floats = field(default_factory=lambda: np.zeros(0))
    drop_height_m: Floats = field(default_factory=lambda: np.zeros(0))
    film_m3: Floats = field(default_factory=lambda: np.zeros(0))
    dispensed_m3: Floats = field(default_factory=lambda: np.zeros(0))
    trapped_share: Floats = field(default_factory=lambda: np.zeros(0))
    trapped_pv_J: Floats = field(default_factory=lambda: np.zeros(0))
    bubbled_pv_J: Floats = field(default_factory=lambda: np.zeros(0))
    free_uptake_kg: Floats = field(default_factory=lambda: np.zeros(0))
    snap_force_N: Floats = field(default_factory=lambda: np.zeros(0))
    capacity_Nm: Floats = field(default_factory=lambda: np.zeros(0))
    weight_Nm: Floats = field(default_factory=lambda: np.zeros(0))
    strength_Pa: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    fails_at_s: float = float("nan")

    def _told(self) -> tuple[str, Rows]:
        return f"Soak in a record: {self.ending.value}", [
            ("time", f"0 to {self.time_s[-1]:.3g} s, {len(self.time_s)} times"),
            ("taken up", f"{mass(float(self.uptake_kg[-1]))}, {percent(self.saturation[-1])} full"),
            ("snapshots", f"{len(self.snapshot_time_s)}"),
        ]

    @classmethod
    def of(cls, soak: Soak, density: float, law: ViscosityLaw | None = None) -> Repeat:
        """From a soak by a liquid of the given density (kg/m3) and flow law.

        Without the law no viscosities are known.
        """
        viscosities: dict[str, Any] = {}
        if law is not None:
            viscosities = {
                "effective_viscosity_Pa_s": soak.effective_viscosity(law),
                "viscosity_at_50_1_s_Pa_s": float(law.apparent_viscosity(BENCH_RATE)),
                "extrapolated_share": np.array(soak.extrapolated_share(law)),
            }
        return cls(
            time_s=soak.time_s,
            uptake_kg=soak.uptake_m3 * density,
            saturation=soak.saturation,
            front_m=soak.front_m,
            front_mean_m=soak.front_mean_m,
            front_width_m=soak.front_width_m,
            filled_at_s=soak.filled_at_s,
            wetted_at_s=soak.wetted_at_s,
            blocked_at_s=soak.blocked_at_s,
            snapshot_time_s=soak.snapshot_time_s,
            snapshot_fill=soak.snapshot_fill,  # type: ignore[arg-type]
            ending=soak.ending,
            steps=soak.steps,
            solves=soak.solves,
            volume_balance=soak.volume_balance,
            accuracy=soak.accuracy,
            wall_shear_rate_1_s=soak.wall_shear_rate(),
            class_diameter_m=soak.class_diameter_m,
            carried_in_m3=soak.carried_in_m3,
            suspended_m3=soak.suspended_m3,
            captured_m3=soak.captured_m3,
            left_m3=soak.left_m3,
            cake_m3=soak.cake_m3,
            cake_thickness_m=soak.cake_thickness_m,
            front_fraction=soak.front_fraction,
            offered_share=soak.offered_share,
            cup_m3=soak.cup_m3,
            captured_in_tube_m3=soak.captured_in_tube_m3,
            drop_m3=soak.drop_m3,
            film_m3=soak.film_m3,
            drop_angle_deg=soak.drop_angle_deg,
            drop_base_m=soak.drop_base_m,
            drop_height_m=soak.drop_height_m,
            dispensed_m3=soak.dispensed_m3,
            trapped_share=soak.trapped_share,
            trapped_pv_J=soak.trapped_pv_j,
            bubbled_pv_J=soak.bubbled_pv_j,
            **viscosities,
        )

    def without_air(self, time: Floats, uptake: Floats) -> Repeat:
        """The same with the course of the uptake, kg, in a soak whose air leaves at once.

        Read between its times as straight in the root of time.
        """
        free = np.interp(np.sqrt(self.time_s), np.sqrt(time), uptake)
        return replace(self, free_uptake_kg=free)

    def with_times(self, times: Floats) -> Repeat:
        """The same with more times, which lie between its own: rows there read as straight."""
        after = np.searchsorted(self.time_s, times, side="right")
        before, span = after - 1, np.diff(self.time_s)
        share = (times - self.time_s[before]) / span[before]

        def more(name: str) -> Floats:
            rows: Floats = getattr(self, name)
            step = (rows[after] - rows[before]) * share.reshape(-1, *[1] * (rows.ndim - 1))
            return np.insert(rows, after, rows[before] + step, axis=0)

        some = SOAK | GRAINS | DROP | DROPS | FILM | AIR
        columns = {n: c for n, c in some.items() if c.shape[0] == "t"}
        known: dict[str, Any] = {
            n: more(n) for n in columns if len(getattr(self, n)) == len(self.time_s)
        }
        return replace(self, **known)

    def softening(self, softened: Softened) -> Repeat:
        """The same with what its walls do, told at its times."""
        return replace(self, **{name: getattr(softened, name) for name in SOFT | FAILS})


class GrainsOf(NamedTuple):
    """What a liquid carries.

    volume_fraction : of its grains; 0 without. stood_s : s, for how long it had stood in its cup.
    kind : name of the liquid that differs from it in nothing else than that, the first in the
    scenario. without : the kind that differs from it in having no grains; "" where there is none.
    """

    volume_fraction: float = 0.0
    stood_s: float = 0.0
    kind: str = ""
    without: str = ""


@dataclass(frozen=True, eq=False, repr=False)
class LiquidRecord(Brief):
    """Every finished repeat of one liquid: ``repeats`` maps the number of the solid to it.

    name, density (kg/m3), grains : as the scenario has them.
    log_length_ratio : ln(L/l) of its moving line; 0: its angles did not depend on the speed.
    """

    name: str
    density: float
    repeats: dict[int, Repeat]
    log_length_ratio: float = 0.0
    grains: GrainsOf = GrainsOf()

    def in_words(self) -> str:
        """How full it leaves the pores, and when, in how many solids."""
        repeats = list(self.repeats.values())
        if not repeats:
            return "no soak finished"
        full = [float(repeat.saturation[-1]) for repeat in repeats]
        ends = " to ".join(dict.fromkeys(percent(share) for share in (min(full), max(full))))
        last = seconds(max(float(repeat.time_s[-1]) for repeat in repeats))
        return f"{ends} full by {last}, {len(full)} solid{'s' * (len(full) > 1)}"

    def _told(self) -> tuple[str, Rows]:
        rows = [("soaks", self.in_words()), ("density", f"{self.density:g} kg/m³")]
        return f"Liquid in a record: {self.name}", rows


@dataclass(frozen=True, eq=False, repr=False)
class Record(Brief):
    """A run: what was asked, the solids, and what every liquid did in them.

    path : the file.
    title, scenario, seed, version, created : of the run; ``scenario`` is the file's whole text.
    faces : names of the faces that touched the liquid, or a part of which did.
    area_m2 : of those parts; NaN where whole faces did. lift_s : when the solid was lifted out and
    put back, in turn; empty: it stayed.
    key : a hash of all that decides the numbers; a run is resumed only under the same one.
    complete : False when some (liquid, repeat) was not finished: interrupted or killed.
    liquids : in the scenario's order.
    solids : number of the repeat -> Network, read from the file when asked for.
    """

    path: Path
    title: str
    scenario: str
    seed: int
    version: str
    created: str
    complete: bool
    key: str
    faces: Sequence[str]
    liquids: Sequence[LiquidRecord]
    solids: Any
    area_m2: float = math.nan
    lift_s: tuple[float, ...] = ()

    def plot(self, which: str = "uptake") -> Figure:
        """A figure of the run: a matplotlib figure, with its numbers as ``tables``.

        which : ``uptake``, ``front``, ``section``, ``drop``, ``caught``, ``standing``, ``firmness``
        or ``strength``. Raises ValueError: there is none of that name, or nothing for it to show.
        ``poresim.plot([record, other], "uptake")`` draws several side by side.
        """
        from poresim.show.plot import records_figure

        return records_figure([self], which)

    def _told(self) -> tuple[str, Rows]:
        state = "" if self.complete else " (unfinished)"
        rows = [(liquid.name, liquid.in_words()) for liquid in self.liquids]
        return f"Record: {self.title}{state}", [*rows, ("file", str(self.path))]

    @property
    def name(self) -> str:
        """The record's name: its file's, without the ending."""
        return self.path.stem

    @property
    def soaks(self) -> int:
        """Number of finished soaks."""
        return sum(len(liquid.repeats) for liquid in self.liquids)

    @property
    def failed(self) -> list[tuple[str, int]]:
        """(liquid, repeat) of every soak whose numerics failed."""
        return [
            (liquid.name, n)
            for liquid in self.liquids
            for n, repeat in liquid.repeats.items()
            if repeat.ending.failed
        ]

    def solid(self, repeat: int) -> Network:
        """The network of one repeat."""
        network: Network = self.solids[repeat]
        return network
