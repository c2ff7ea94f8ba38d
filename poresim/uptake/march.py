"""The soak: liquid let in at the inlet junctions, followed until it stops or time is up."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.drop.film import Film
from poresim.liquid.cup import Cup, Stirred
from poresim.liquid.liquid import Liquid
from poresim.solid.network import Network
from poresim.solid.swelling import Swelling
from poresim.uptake.begin import build_state, carried_viscosity, caught_grains
from poresim.uptake.bodies import asked_of_all, with_bodies
from poresim.uptake.cake import with_roofs
from poresim.uptake.clinging import Clinging, leave_film, offer_film
from poresim.uptake.drain import lift_out, make_air, put_back, stop_grains
from poresim.uptake.inputs import checked_inputs
from poresim.uptake.limits import APART_JUNCTIONS, HALVES_FROM, SMALL_JUNCTIONS
from poresim.uptake.observe import BALANCE, Course, front_of
from poresim.uptake.pace import Pace, one_by_one_up_to
from poresim.uptake.result import Ending, Soak
from poresim.uptake.sitting import Sitting, covered_by, set_down
from poresim.uptake.state import State
from poresim.uptake.step import CONTROL, Stepper
from poresim.uptake.swollen import Swollen

Floats = NDArray[np.float64]
Progress = Callable[[float, float, float], None]

_FIRST_SHARE = 1e-3  # the first step, as a share of the first tube's filling time
_TINY_SHARE = 1e-6  # steps are never shorter than this share of the accuracy times the time gone
_FRESH_SHARE = 0.1  # of the next arrival's wait, as if that had passed since an event
_LONGER = 3.0  # a step over the last one, where that did not end on an event
_OF_THE_REST = 0.7  # of the time after which the cup would be empty
_STEADY = 0.3  # where a step holds many events, the next is not shorter than this share of it
_COARSE_KINK = 1e-6  # times the accuracy, of a pressure: how closely it is looked for
#: What is held less closely where a step holds many events.
_LOOSER = (
    "owed_share", "solve_share", "linear_share", "close_share", "rough_share", "drift_share",
    "budget", "sweeps",
)  # fmt: skip
_SOFT = 1e-8  # of what full tubes couple, where liquid may stand without a meniscus that moves
_FEW = 2e-3  # of all tubes: so many open, and others wait for what that does, where steps hold many
_AT_ONCE = 0.01  # times the accuracy and an arrival's wait: a step that only finds pressures
_EXACT = 0.1  # times the accuracy and what menisci take: what a step may leave owed out of liquid
_LATE = 0.01  # times the accuracy and the time: so late may a meniscus be for one step
_REACH = 0.6  # of the root of the accuracy: changes of a flow that a tangent serves
_GRASP = 3.0  # the same of what a meniscus takes


def soak(
    solid: Network,
    liquid: Liquid,
    inlet: ArrayLike,
    until_s: float | None = None,
    until_saturation: float | None = None,
    accuracy: float = 1e-3,
    gravity: ArrayLike = (0.0, 0.0, 0.0),
    air: str = "free",
    seed: int = 0,
    snapshots: Iterable[float] = (),
    depth_m: ArrayLike | None = None,
    progress: Progress | None = None,
    cores: int | None = None,
    face_m2: float | None = None,
    cup: Cup | Stirred | None = None,
    inlet_pressure: ArrayLike = 0.0,
    lift_s: ArrayLike = (),
    outside: ArrayLike | None = None,
    drop_m3: float | None = None,
    vents: ArrayLike | None = None,
    swelling: Swelling | None = None,
    film: Film | None = None,
    drops_s: ArrayLike = (),
) -> Soak:
    """Soak a dry network from its inlet junctions, whose pressure stays as given.

    Parameters
    ----------
    solid : any network.
    liquid : what soaks it; its particles close throats (plain filtration rule).
    inlet : junction indices that touch an unlimited reservoir.
    until_s, until_saturation : when to stop, s and share of the tubes' volume; at least one.
    accuracy : relative error allowed in the uptake curve (the time at a given uptake), 1e-8 to 0.2.
    gravity : (3,) m/s2.
    air : "free" leaves at once wherever it is; "trapped" leaves through dry junctions that are
        vents, and what liquid cuts off from them is compressed until a bubble finds a way out
        (:mod:`poresim.uptake.vents`).
    seed : of the grains' draws.
    snapshots : times, s, at which the state of every tube is kept.
    depth_m : (n,) depth of each junction below the wetted face; by default the distance to the
        nearest inlet junction.
    progress : called with (share done, time in s, saturation) after every step.
    cores : how many may be used: 1, or 2 where the network is large and the liquid Newtonian and
        without grains; by default as many as there are. The result is the same, bit for bit.
    face_m2 : area of the wetted face, m2, that inlet junctions share evenly: a cake of grains that
        fit no entrance spreads over it. By default the square of each one's distance to the next;
        of one alone, the section of its tubes.
    cup : where the liquid stands: its grains settle there, and it may hold little. By default it is
        stirred and without end.
    inlet_pressure : Pa above the air's: one for all inlets, or one each in the order of ``inlet``.
        Below the surface it is the head of the liquid; below 0 it is suction.
    lift_s : times, s, at which the solid is lifted out of the liquid and put back, in turn. Out of
        it liquid goes on from wide tubes into narrow ones, air enters from the outside, and what is
        pressed out drips off; grains stay where they are.
    outside : junctions at which air stands then; by default the inlets.
    drop_m3 : volume of one drop that is all the liquid there is. It is set down midway between the
        outermost inlets at its advancing angle, on those that its base then covers; its pressure is
        its own (:mod:`poresim.drop.base`). It shrinks, then slides. When it is spent the solid goes
        on as when it is lifted out; air enters nowhere before.
    vents : junctions that are open to the air while they are dry, where it can be trapped; by
        default all but the inlets.
    swelling : how walls swell and throats narrow beside full tubes; by default they do not.
    film : what hangs on the solid each time it is lifted out (:mod:`poresim.drop.film`): its
        inlets drink of that until it is gone, and meanwhile it runs down. By default nothing does.
    drops_s : times, s, at which one more drop of that volume is set down at the same place. If the
        former is spent it is as the first, and the solid is put back under it; else both are one,
        whose base stays unless its angle would be above the advancing one: then it spreads to that
        angle (a rule of ours). The soak ends where the base would be wider than all inlets. Only
        where no grains can be caught, in solids whose junctions have no bodies.

    Raises
    ------
    ValueError
        Says which argument is wrong, what was found, and what is expected.
    """
    course = None
    for course in march(
        solid, liquid, inlet, until_s, until_saturation, accuracy, gravity, air, seed,
        snapshots, depth_m, cores=cores, face_m2=face_m2, cup=cup, inlet_pressure=inlet_pressure,
        lift_s=lift_s, outside=outside, drop_m3=drop_m3, vents=vents,
        swelling=swelling, film=film, drops_s=drops_s,
    ):  # fmt: skip
        if progress is not None:
            progress(course.share_done(), course.time, course.saturation)
    assert course is not None
    return course.result()


def march(
    solid: Network,
    liquid: Liquid,
    inlet: ArrayLike,
    until_s: float | None = None,
    until_saturation: float | None = None,
    accuracy: float = 1e-3,
    gravity: ArrayLike = (0.0, 0.0, 0.0),
    air: str = "free",
    seed: int = 0,
    snapshots: Iterable[float] = (),
    depth_m: ArrayLike | None = None,
    pace: Pace | None = None,
    one_by_one: bool | None = None,
    cores: int | None = None,
    face_m2: float | None = None,
    cup: Cup | Stirred | None = None,
    inlet_pressure: ArrayLike = 0.0,
    lift_s: ArrayLike = (),
    outside: ArrayLike | None = None,
    drop_m3: float | None = None,
    vents: ArrayLike | None = None,
    swelling: Swelling | None = None,
    film: Film | None = None,
    drops_s: ArrayLike = (),
) -> Iterator[Course]:
    """The soak step by step: yields the same :class:`Course`, longer by a step each time.

    Arguments as :func:`soak`; ``pace`` overrides how the accuracy becomes steps, ``one_by_one``
    whether steps end on their first event (False: as in large networks, whatever the size).
    """
    asked = checked_inputs(
        solid, inlet, until_s, until_saturation, accuracy, gravity, air, seed, snapshots, depth_m,
        cores, face_m2, cup, inlet_pressure, lift_s, outside, drop_m3, vents, swelling, film,
        drops_s,
    )  # fmt: skip
    waisted = bool(np.any(solid.waist < 1))
    small = False
    if one_by_one is None:
        few = one_by_one_up_to(solid, liquid, asked, waisted)
        one_by_one = solid.junctions <= few or asked.vents is not None
        small = not one_by_one and solid.junctions <= SMALL_JUNCTIONS and asked.drop_m3 is None
    sitting = None
    if asked.drop_m3 is not None:
        many = 1 + len(asked.drops)
        if many > 1 and caught_grains(solid, liquid) is not None:
            raise ValueError("drops_s is for liquids without grains that throats can catch")
        drop = set_down(asked.drop_m3, liquid)
        under, away, edge = covered_by(drop, solid.points, asked.inlet, many)
        sitting = Sitting(drop, away, edge, asked)
        pressed = np.full(len(under), sitting.most_pressure)
        asked = replace(asked, inlet=under, inlet_pressure=pressed, cup=Stirred(asked.drop_m3))
    offered = _offered_at_first(asked.cup, liquid, asked.until_s)
    covered, inlet, roofs = with_roofs(
        solid,
        caught_grains(solid, liquid, settles=offered is not None),
        asked.inlet,
        asked.face_m2,
        accuracy,
    )
    whole, bodies = with_bodies(covered)
    state = build_state(
        whole, liquid, inlet, asked.gravity, accuracy, asked.seed,
        halves=not one_by_one and solid.junctions >= HALVES_FROM, bodies=bodies, roofs=roofs,
        offered=offered, inlet_pressure=asked.inlet_pressure, vents=asked.vents,
        dry=sitting.dry if sitting is not None and len(sitting.dry) else None,
    )  # fmt: skip

    def pace_of(many: bool) -> Pace:
        index = carried_viscosity(liquid).thinnest_index
        laden = caught_grains(solid, liquid) is not None
        return Pace.of(accuracy, waisted, index, many, len(bodies) > 0, small, laden)

    pace = pace or pace_of(not one_by_one)
    control = _control(pace, accuracy, waisted)
    course = Course(
        solid, liquid, state, asked_of_all(asked, np.concatenate([roofs.under, bodies])), control
    )
    if one_by_one:
        control["solve_share"] = max(1e-6 * accuracy, 1e-11)
        control["linear_share"] = 1e-3
        control["owed_share"] = 1e-2 * accuracy
        control["close_share"] = 1e-3 * accuracy
        control["rough_share"] = 0.0
    else:
        _loosen(state, accuracy)
    threads = asked.cores if state.halved else 1
    course.sitting = sitting
    if sitting is not None:
        sitting.lands = one_by_one
        sitting.foresee(state, sitting.drop.volume, 0.0, 0.0)
    stepper = Stepper.of(
        state, control, one_by_one, threads, course.shear.look, course.supply.offer
    )
    course.bends = one_by_one
    course.exact = state.exact
    stepper.sort_air(False)
    course.watch_air()
    if asked.swelling is not None:
        course.swollen = Swollen(asked.swelling, state, accuracy)
        course.shear.widths = course.swollen.shapes
    yield course
    while course.ending is None:
        if course.turns():
            _turn(state, course, control, pace)
            if course.ending is not None:
                break
            if stepper.one_by_one and solid.junctions > APART_JUNCTIONS:
                pace = pace_of(True)
                _many_at_once(state, control, pace, accuracy, waisted)
                stepper, course.bends = replace(stepper, one_by_one=False), False
        if sitting is not None and not sitting.spent and sitting.leave_behind(state, course.left()):
            _bare(control, pace, accuracy)
            course.last_event = course.time
        until = _next_time(stepper.arrival_waits(course.air is not None), course, pace)
        if until is None:
            course.rest()
            continue
        if sitting is not None and not sitting.spent:
            step = until - course.time
            if sitting.foresee(state, course.left(), course.rate(), step):
                _bare(control, pace, accuracy)
        fresh = course.last_event == course.time
        if course.swollen is not None:
            still = course.air is not None
            course.swollen.foresee(course.time, until, course.first_full(), still)
        time, held = stepper.take(course.time, until, course.held, fresh, course.most())
        if course.swollen is not None:
            course.swollen.took(course.time, time)
        if course.clinging is not None:
            course.clinging.take(held - course.held, time - course.time)
        stepper.sort_air(course.air is not None)
        if course.air is not None:
            more, happened = stepper.let_air_in(course.air, time)
            course.stirred = happened > (0 if stepper.one_by_one else _FEW * len(stepper.waits))
            held += more
        else:
            course.stirred = False
            stepper.carry_on(time, held, course.ends(time, held))
        course.record(time, held)
        yield course
    yield course


def _loosen(state: State, accuracy: float) -> None:
    """Steps hold many events: laws are looked up less often, kinks less closely."""
    state.law.reach = _REACH * math.sqrt(accuracy)
    state.law.grasp = _GRASP * math.sqrt(accuracy)
    state.wetting["kink"] = _COARSE_KINK * accuracy


def _many_at_once(state: State, control: Any, pace: Pace, accuracy: float, waisted: bool) -> None:
    """From now on steps hold many events: as they do from the start in large networks."""
    fresh = _control(pace, accuracy, waisted)
    for name in _LOOSER:
        control[name] = fresh[name]
    _loosen(state, accuracy)


def _let_go(control: Any, accuracy: float) -> None:
    """From now on there may be liquid that no reservoir is joined to: its books close by itself."""
    control["close_intake"] = _EXACT * accuracy
    control["soft"] = _SOFT


def _bare(control: Any, pace: Pace, accuracy: float) -> None:
    """A drop's base has left a junction."""
    _let_go(control, accuracy)
    control["solve_share"] = min(pace.solve, _EXACT * accuracy)


def _turn(state: State, course: Course, control: Any, pace: Pace) -> None:
    """The solid is lifted out of the liquid, or put back; a drop is spent, or one more comes."""
    if course.sitting is not None and not course.spends:
        _one_more(state, course, control, pace, course.sitting)
        return
    _let_go(control, course.asked.accuracy)
    if course.air is None:
        course.air = make_air(state, course.asked.outside)
        stop_grains(state)
    in_liquid = False
    if course.sitting is not None:
        course.sitting.leave(state)
    elif course.clinging is not None and course.clinging.gone:
        course.clinging = None
        leave_film(state)
        course.film_gone()
        return
    elif course.in_liquid and course.asked.film is not None:
        course.clinging = Clinging(course.asked.film, course.asked.accuracy)
        offer_film(state)
    elif course.in_liquid:
        lift_out(state)
    else:
        course.clinging = None
        in_liquid = True
        put_back(state, course.air, course.asked.inlet_pressure, course.time)
    course.air.turned[0], course.air.drips[0] = course.time, 1
    course.turned(in_liquid, planned=course.sitting is None)


def _one_more(state: State, course: Course, control: Any, pace: Pace, sitting: Sitting) -> None:
    """A further drop is set down; the soak ends where it would be wider than the face."""
    drop = sitting.with_one_more(max(course.left(), 0.0))
    if drop is None:
        course.ending = Ending.OUTGROWN
        return
    _bare(control, pace, course.asked.accuracy)
    course.dispense(sitting.first.volume, drop)
    sitting.lay(drop, course.left(), state, course.air, course.time)
    if course.air is not None:
        course.air.turned[0] = course.time
    course.turned(True)


def _offered_at_first(cup: Cup | Stirred, liquid: Liquid, until_s: float) -> Floats | None:
    """(k,) share of each class of grains at the face; None where that stays 1."""
    if liquid.particles is None:
        return None
    settling = cup.settling(liquid)
    if settling.next_change(0.0) >= cup.stood + until_s:
        return None
    return np.asarray(settling.offered(cup.stood)[0])


def _control(pace: Pace, accuracy: float, waisted: bool) -> Any:
    control = np.zeros(1, CONTROL)[0]
    control["owed_share"] = pace.owed
    control["solve_share"] = pace.solve
    control["linear_share"] = pace.linear
    control["close_share"] = 7e-3 * accuracy
    control["close_intake"] = math.inf
    control["rough_share"] = pace.rough
    control["left_share"] = BALANCE * accuracy
    control["shift_share"] = accuracy
    control["drift_share"] = pace.drift
    control["start_share"] = 0.1 * accuracy
    control["late_share"] = _LATE * accuracy if waisted else 0.0
    control["meet_share"] = 1e-3 * accuracy
    control["budget"] = pace.budget
    control["sweeps"] = pace.sweeps
    return control


def _next_time(waits: NDArray[np.float64], course: Course, pace: Pace) -> float | None:
    """Where the next step ends; None when nothing moves any more."""
    now = course.time
    if course.stirred:
        step = _AT_ONCE * course.asked.accuracy * (float(np.median(waits)) if len(waits) else now)
    elif len(waits) == 0:
        # a junction just reached has no pressure of its own yet, and where little flows it takes
        # some steps to settle: rest is what a step shows that changes nothing
        if now == 0.0 or course.settled:
            return None
        step = pace.growth * now
    elif now == 0.0:
        step = _FIRST_SHARE * float(waits.min()) * course.slow_start
    else:
        rank = min(int(pace.arrivals * len(waits)), len(waits) - 1)
        step = float(np.partition(waits, rank)[rank]) * (1 + 1e-9)
        step = min(step, pace.growth * now)
        if course.bends:  # pressures vary within a step: start afresh after each event
            age = now - course.last_event
            growth = (2.0 if course.exact else 0.4) * pace.growth
            step = min(step, growth * (age + _FRESH_SHARE * min(float(waits.min()), now)))
        else:  # menisci that have just started look faster than they can be fed
            step = max(step, _STEADY * course.last_step)
        step = max(step, _TINY_SHARE * course.asked.accuracy * now)
    if course.bends and course.last_event < now:
        step = min(step, _LONGER * course.last_step)
    step = min(step, _OF_THE_REST * course.until_empty(), course.longest())
    stop = course.next_stop()
    if now + 1.05 * step >= stop:
        return stop
    return min(now + step, now + 0.5 * (stop - now)) if now + 2 * step > stop else now + step


__all__ = ["Ending", "Pace", "front_of", "march", "soak"]
