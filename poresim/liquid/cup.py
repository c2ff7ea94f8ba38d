"""What a cup of suspension offers a face that it wets, while its grains settle.

Grains of class c sink at v_c (1 - phi)^4.65, phi being the grains' whole fraction where they are at
that moment (kinematic settling: Kynch 1952; hindrance: Richardson & Zaki 1954). From a uniform
start the fastest class leaves clear liquid behind, whose lower edge sinks at that class's speed;
above it the next class is the fastest, and so on. Each edge is a straight line in depth and time
from the surface, and between two of them nothing changes: the solution is exact, without steps.

At an edge that sinks at V each slower class is conserved: phi_c (v_c (1 - phi)^4.65 - V) is alike
above and below. Above, less hinders, so the class sinks faster than below: it thickens there, and
its share may pass 1 (the whole fraction never exceeds what it was below).

Grains that rise do the same from the floor up. What has come to the floor, or to the surface, is
taken to lie there without thickness. A real cup has a bed there, its fraction over some 0.6 of the
depth at last, and from a fraction of about 0.18 on (1 / 5.65, where d(flow)/d(fraction) turns) a
dense layer grows from it that settles more slowly: in dense suspensions trust this only well away
from the floor. What is drawn from the cup is not seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import ArrayLike

from poresim.liquid.laws import check
from poresim.liquid.properties import Floats, as_numbers, within
from poresim.liquid.suspension import HINDRANCE, hindered, settling_velocity

if TYPE_CHECKING:
    from poresim.liquid.liquid import Liquid

_SAME = 1e-9  # speeds that differ by this share are one
_LEAST = 1e-12  # share of all grains with which a class that has none is reckoned


@dataclass(frozen=True)
class Cup:
    """A liquid that stands still in a cup.

    depth : of the liquid, m. place : how far below its surface the wetted face stands, m, 0 to
    ``depth``. volume : of the suspension in it, m3; None: as much as one likes. It says when there
    is none left, and changes neither the depth nor the settling. stood : s, how long it has stood
    there when a soak begins, at first with its grains everywhere alike. settles_as : the liquid
    whose flow law and density its grains settle by; None: the one that stands in it.
    """

    depth: float
    place: float
    volume: float | None = None
    stood: float = 0.0
    settles_as: Liquid | None = None

    def __post_init__(self) -> None:
        _check_cup(self.depth, self.place)
        _check_volume(self.volume)
        check("stood (s)", self.stood, least=0)

    def settling(self, liquid: Liquid) -> Settling:
        """How the grains of a liquid settle here, from a uniform start at time 0.

        That is ``stood`` before a soak begins.
        """
        like = self.settles_as
        sinks = liquid if like is None else replace(like, particles=liquid.particles)
        return Settling(self.depth, self.place, _speeds(sinks), _fractions(liquid))


@dataclass(frozen=True)
class Stirred:
    """A liquid whose grains are kept afloat. volume : as in Cup."""

    volume: float | None = None
    stood: ClassVar[float] = 0.0

    def __post_init__(self) -> None:
        _check_volume(self.volume)

    def settling(self, liquid: Liquid) -> Settling:
        """As Cup.settling: every class is offered in full at all times."""
        fractions = _fractions(liquid)
        return Settling(1.0, 0.0, np.zeros_like(fractions), fractions)


class Settling:
    """Classes of grains that settle in a cup, and what is left of each. SI units.

    depth, place : as in Cup. velocity : (k,) m/s of each class alone, down; all 0 or above, or all
    0 or below: grains sink or rise, not both. fraction : (k,) of the suspension's volume at time 0,
    when they are everywhere alike.

    front_speed : (e,) m/s, at which the edges move, the fastest first; each takes one class, or
    several of the same speed. share_in_zone : (e + 1, k), concentration of each class over that at
    time 0, before the first edge has passed, between the first and the second, and so on.

    Times are in s, (n,) or one; "share" is of the concentration, or amount, at time 0.
    """

    depth: float
    place: float
    velocity: Floats
    fraction: Floats
    front_speed: Floats
    share_in_zone: Floats

    def __init__(
        self, depth: float, place: float, velocity: ArrayLike, fraction: ArrayLike
    ) -> None:
        _check_cup(depth, place)
        v = np.atleast_1d(as_numbers("velocity", velocity))
        phi = np.atleast_1d(within("fraction", fraction, 0, 1))
        if v.ndim != 1 or v.shape != phi.shape:
            raise ValueError(
                f"velocity and fraction must hold one value a class, got {v.shape} and {phi.shape}"
            )
        if not np.isfinite(v).all():
            raise ValueError("velocity must be finite, in m/s")
        if v.size and v.min() < 0 < v.max():
            raise ValueError("grains of one cup all sink or all rise: velocity has both signs")
        if phi.sum() >= 1:
            raise ValueError(f"fraction must add up to below 1, got {phi.sum():g}")
        self.depth, self.place = float(depth), float(place)
        self.velocity, self.fraction = v, phi
        rising = bool(v.size and v.min() < 0)
        speed = np.abs(v)
        self.front_speed, self.share_in_zone = _fronts(speed, phi)
        way = self.depth - self.place if rising else self.place
        self._passes = _arrival(way, self.front_speed)
        self._ends = _arrival(self.depth, self.front_speed)
        free = hindered((self.share_in_zone * phi).sum(axis=1, keepdims=True))
        self._speed_in_zone = speed * free

    def offered(self, times: ArrayLike) -> Floats:
        """(n, k) share of each class at the place; 0 from when its edge passes."""
        zone = np.searchsorted(self._passes, _times(times), side="right")
        return self.share_in_zone[zone]

    def offered_mean(self, start: float, end: float) -> Floats:
        """(k,) mean of the share at the place from one time to another, exact."""
        first, last = _times([start, end])
        if last < first:
            raise ValueError(f"the time must go forward, got from {first:g} to {last:g}")
        if last == first:
            return self.offered(first)[0]
        cuts = np.clip(np.array([0.0, *self._passes, np.inf]), first, last)
        return np.diff(cuts) / (last - first) @ self.share_in_zone

    def next_change(self, time: float) -> float:
        """The first time after this one at which the offer changes; inf: it never does."""
        later = self._passes[np.searchsorted(self._passes, _times(time)[0], side="right") :]
        return float(later[0]) if len(later) else math.inf

    def left_share(self, times: ArrayLike) -> Floats:
        """(n, k) share of each class that is afloat anywhere in the cup."""
        t = _times(times)[:, None]
        whole = np.broadcast_to(self.depth, t.shape)
        edges = np.minimum(t * self.front_speed, self.depth)
        thickness = -np.diff(np.hstack([whole, edges, np.zeros_like(t)]), axis=1)
        return thickness / self.depth @ self.share_in_zone

    def sunk(self, times: ArrayLike) -> Floats:
        """(n, k) share of each class that has come to the floor, or, rising, to the surface."""
        t = _times(times)[:, None]
        begun = np.zeros_like(t)
        at_the_end = np.diff(np.hstack([begun, np.minimum(self._ends, t), t]), axis=1)
        return at_the_end @ (self.share_in_zone * self._speed_in_zone) / self.depth


def _fronts(speed: Floats, fraction: Floats) -> tuple[Floats, Floats]:
    """(front_speed, share_in_zone) of Settling; speeds 0 or above."""
    grains = np.maximum(fraction, _LEAST * fraction.sum())
    share = np.ones_like(grains)
    shares, fronts = [share], []
    while np.any(moving := (share > 0) & (speed > 0)):
        fastest = speed[moving].max()
        goes = moving & (speed >= fastest * (1 - _SAME))
        stays = (share > 0) & ~goes
        below = share * grains
        fronts.append(fastest * hindered(below.sum()))
        share = np.where(stays, share, 0.0)
        share[stays] *= _thickening(fastest, below[goes].sum(), speed[stays], below[stays])
        shares.append(share)
    return np.array(fronts), np.array(shares)


def _thickening(fastest: float, lost: float, speed: Floats, below: Floats) -> Floats:
    """(s,) concentrations above over those below the edge of the fastest class, of slower ones.

    lost : fraction of the fastest, below. below : (s,) fractions of the others there.

    With the hindrance H below and h above, that of a class of speed v is
    H (fastest - v) / (H fastest - h v). All follow from one unknown u, the inverse of that of the
    next fastest, w: h = H (1 + (1 - u) (fastest - w) / w). What the fractions above add up to falls
    as u grows, and what h asks for rises, so that there is one solution. It lies between u = 1,
    where h = H, and the larger of u = 0 and h = 1.
    """
    if lost == 0 or not np.any(speed > 0):
        return np.ones_like(speed)
    from scipy.optimize import brentq

    after = speed.max()
    gap = (fastest - after) / after
    log_free = math.log1p(-(lost + below.sum()))  # of the share that is no grains, below

    def rise(u: float) -> float:  # h / H
        return 1 + (1 - u) * gap

    def by_u(u: float) -> Floats:  # what is sought, times u, so that nothing cancels at u near 0
        slower = speed < after
        v = speed[slower]
        found = np.ones_like(speed)
        found[slower] = u * (fastest - v) / (u * (fastest - after) + (after - v) * rise(u))
        return found

    def too_many(u: float) -> float:
        asked = -math.expm1(log_free + math.log(rise(u)) / HINDRANCE)
        return float(below @ by_u(u)) - asked * u

    if too_many(1.0) >= 0:  # what is lost does not show in the last digit
        return np.ones_like(speed)
    least = max(0.0, 1 - math.expm1(-HINDRANCE * log_free) / gap)
    u = float(brentq(too_many, least, 1.0, xtol=1e-300, rtol=1e-15, maxiter=1000))
    return by_u(u) / u


def _arrival(way: float, speed: Floats) -> Floats:
    """When edges have gone that way."""
    with np.errstate(over="ignore"):
        return way / speed


def _speeds(liquid: Liquid) -> Floats:
    return np.zeros(0) if liquid.particles is None else settling_velocity(liquid)


def _fractions(liquid: Liquid) -> Floats:
    grains = liquid.particles
    return np.zeros(0) if grains is None else grains.volume_fraction * grains.share


def _times(times: ArrayLike) -> Floats:
    found = np.atleast_1d(within("times", times, 0, np.finfo(np.float64).max))
    if found.ndim != 1:
        raise ValueError(f"times must hold one row, got shape {found.shape}")
    return found


def _check_cup(depth: float, place: float) -> None:
    check("depth (m)", depth, above=0)
    check("place (m below the surface)", place)
    if not 0 <= place <= depth:
        raise ValueError(
            f"place (m below the surface) must lie in 0 to depth ({depth:g}), got {place:g}"
        )


def _check_volume(volume: float | None) -> None:
    if volume is not None:
        check("volume (m3)", volume, above=0)
