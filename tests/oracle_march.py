"""The events of the general oracle and its march from one to the next."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import oracle_recede
from oracle_general import ADVANCE, FREE, GONE, HELD, RADAU, RECEDE, TIGHT, Failed, Network
from oracle_grains import Cargo

#: Of a step with grains: see soak; and how far shares of flow may be from those it was made with.
CARRIES, SHARES_OFF = 1e-4, 1e-6

#: Speed (m/s) below which a full tube's flow counts as none.
STILL = 1e-9

#: Event functions that may be 0 at the start of a step.
MAY_START_AT_0 = ("stop", "turn", "swing", f"body turn {ADVANCE}", f"body turn {RECEDE}")


@dataclass
class Course:
    """Result; ``rate`` is the uptake's slope at each time. SI units, NaN = never."""

    time: np.ndarray
    uptake: np.ndarray
    rate: np.ndarray
    filled_at: np.ndarray
    wetted_at: np.ndarray
    blocked_at: np.ndarray
    pressure: list = field(repr=False)
    x: np.ndarray | None = None
    body_filled_at: np.ndarray | None = None
    cargo: Cargo | None = None
    states: list = field(default_factory=list, repr=False)  # oracle_recede.State, times ``at``, end
    log: list = field(default_factory=list, repr=False)  # (time, what, which) once lifted
    owed: float = 0.0  # liquid that no meniscus could make up for once lifted, m3

    def time_at(self, uptake):
        """Time at which the uptake is first reached (cubic between the steps)."""
        k = int(np.searchsorted(self.uptake, uptake))
        h = self.time[k] - self.time[k - 1]
        u0, u1 = self.uptake[k - 1 : k + 1]
        a, b = self.rate[k - 1 : k + 1] * h
        low, high = 0.0, 1.0
        for _ in range(60):
            s = 0.5 * (low + high)
            value = (
                u0 * (1 + 2 * s) * (1 - s) ** 2
                + u1 * s * s * (3 - 2 * s)
                + a * s * (1 - s) ** 2
                - b * s * s * (1 - s)
            )
            low, high = (s, high) if value < uptake else (low, s)
        return self.time[k - 1] + s * h


def soak(
    points,
    ends,
    radius,
    length,
    inlet,
    fluid,
    until=np.inf,
    tolerance=1e-8,
    longest=0.2,
    carries=CARRIES,
    lift=(),
    exposed=None,
    at=(),
    **more,
):
    """March to time ``until`` or until nothing moves; returns a Course.

    tolerance: local error of a meniscus over its tube's length. longest: longest step as a
    share of the time gone by. more: waist, gravity, grains, start, body, face_m2 (see Network).
    carries: how far apart grains carried in parts and in twice as many may be in a step, of what
    is offered.
    lift: rising times at which the solid is lifted out of its liquid and put back, in turn.
    exposed: junctions on the outside, where air stands unless they are inlets in the liquid
    (default: the inlets). at: times from the first lift on of which the states are kept.
    """
    net = Network(points, ends, radius, length, inlet, fluid, **more)
    net.carries = carries
    pressure = settle(net, np.full(net.n, np.nan))
    course = [(0.0, 0.0, 0.0)]
    kept = [pressure]
    first = min(until, lift[0]) if len(lift) else until
    h = _guess(net, pressure)
    while net.time < first and (len(net.moving) or len(net.filling)):
        h = min(h, first - net.time, max(longest * net.time, h if net.time == 0 else 0.0))
        h, pressure, happened, grow = _advance(net, pressure, h, tolerance)
        if happened:
            pressure = settle(net, pressure)
            h = min(max(h, 1e-9 * net.time), _guess(net, pressure))
        else:
            h *= grow
        kept.append(pressure)
        course.append((net.time, net.uptake(), _inflow(net, pressure)))
    states, log, owed = [], [], 0.0
    if first < until:
        net.time = first
        net = oracle_recede.Lifted.of(net, exposed)

        def keep(net, pressure):
            kept.append(pressure)
            course.append((net.time, net.uptake(), _inflow(net, pressure)))

        args = until, tolerance, longest, lift, at, keep
        states, log, owed = oracle_recede.in_turn(net, pressure, *args), net.log, net.owed
    return Course(
        *np.array(course).T,
        net.filled_at,
        net.wetted_at,
        net.blocked_at,
        kept,
        net.x.copy(),
        net.body_filled_at,
        net.cargo,
        states,
        log,
        owed,
    )


def _inflow(net, pressure):
    tube, flow, _ = net.links(pressure)
    a, b = net.ends[tube].T
    total = flow[net.fixed[a]].sum() - flow[net.fixed[b]].sum()
    j = net.moving
    q, _ = net.meniscus_flow(j, net.x[j], pressure[net.node[j]])
    return total + q[net.fixed[net.node[j]]].sum() + net.bed_flow(pressure).sum()


def drives(net, pressure):
    """Drives of every slot with the advancing and with the receding angle (Pa)."""
    j = np.arange(2 * net.m)
    ahead = np.where(net.at_waist, 1, net.piece)
    behind = np.where(net.at_waist, 0, net.piece)
    p = np.nan_to_num(pressure[net.node])
    return (
        p + net.tubes.extra(j, net.x, 1, ahead),
        p + net.tubes.extra(j, net.x, -1, behind),
    )


def settle(net, guess):
    """Decide which menisci move, and how, and the pressures that go with it."""
    scale = 2 * net.fluid.gamma / net.tubes.radius
    forward = ADVANCE if net.fluid.hysteresis else FREE
    pressure = guess
    for _ in range(200 + 6 * net.m):
        pressure = net.instant(pressure)
        ahead, back = drives(net, pressure)
        at_mouth = net.x <= 1.5 * net.mouth
        fresh = (net.status == HELD) & (ahead > 0)
        away = (net.status == HELD) & (back < 0) & ~at_mouth
        tiny = 1e-11 * scale
        stop = (net.status >= ADVANCE) & at_mouth & (ahead < -tiny)
        stop |= (net.status == ADVANCE) & (ahead < -tiny)
        stop |= (net.status == RECEDE) & (back > tiny)
        if not (fresh.any() or away.any() or stop.any()):
            if not _settle_bodies(net, pressure, forward):
                return pressure
            continue
        net.status[stop] = HELD
        # at each junction the most eager meniscus goes first: it holds the others back
        eager = np.where(fresh, ahead, np.where(away, -back, -np.inf))
        best = np.full(net.n, -np.inf)
        np.maximum.at(best, net.node, eager)
        go = (fresh | away) & ((eager >= best[net.node] - 1e-13 * scale) | net.fixed[net.node])
        net.piece[go & net.at_waist & fresh] = 1
        net.piece[go & net.at_waist & away] = 0
        net.at_waist[go] = False
        net.status[go & fresh] = forward
        net.status[go & away] = RECEDE if net.fluid.hysteresis else FREE
    raise RuntimeError(f"which menisci move could not be decided at t = {net.time:g} s")


def _settle_bodies(net, pressure, forward):
    """Stop or start the meniscus of a body, the most eager one; True when there was one."""
    _, flow, _ = net.links(pressure)
    gain, status = net.gains(flow), net.body_status
    least = 1e-13 * np.abs(flow).max(initial=0.0)
    for i in net.filling:
        drained = net.held[i] <= 1e-12 * net.body[i] and gain[i] < -least
        turned = {ADVANCE: -gain[i], RECEDE: gain[i]}.get(status[i], 0.0) > least
        if drained or turned:
            status[i] = HELD
            return True
    rest = np.flatnonzero(status == HELD)
    over, under = _body_drives(net, pressure, rest)
    tiny = 1e-11 * 2 * net.fluid.gamma / net.tubes.radius.min()
    if len(rest) == 0 or max(over.max(), under.max()) <= tiny:
        return False
    k = int(np.argmax(np.maximum(over, under)))
    back = RECEDE if net.fluid.hysteresis else FREE
    status[rest[k]] = forward if over[k] >= under[k] else back
    return True


def _body_drives(net, pressure, junctions):
    """How far (Pa) the pressure is beyond where a body's resting meniscus goes on, and back."""
    p = pressure[junctions]
    back = net.body_pressure(junctions, -1) - p
    return p - net.body_pressure(junctions, 1), np.where(net.held[junctions] > 0, back, -np.inf)


def body_signs(net, pressure, held):
    """Event functions of the bodies, as in ``signs``."""
    scale = 2 * net.fluid.gamma / net.tubes.radius.min()
    moving, rest = net.filling, np.flatnonzero(net.body_status == HELD)
    _, flow, _ = net.links(pressure)
    gain = net.gains(flow) / np.maximum(np.abs(flow).max(initial=0.0), 1e-300)
    on, back = _body_drives(net, pressure, rest)
    kept = rest[np.isfinite(back)]
    out = {
        "body full": (moving, held[moving] / net.body[moving] - 1),
        "body empty": (moving, -held[moving] / net.body[moving]),
        "body on": (rest, on / scale),
        "body back": (kept, back[np.isfinite(back)] / scale),
    }
    for status, sign in ((ADVANCE, -1), (RECEDE, 1)):
        own = np.flatnonzero(net.body_status == status)
        out[f"body turn {status}"] = (own, sign * gain[own])
    return out


def signs(net, pressure, x, count, in_bodies):
    """Event functions: below 0 before the event, above 0 after it. name -> (index, value)."""
    tubes, j = net.tubes, np.arange(2 * net.m)
    scale = 2 * net.fluid.gamma / tubes.radius
    keep, net.x = net.x, x
    ahead, back = drives(net, pressure)
    net.x = keep
    moving, held = net.status >= ADVANCE, net.status == HELD
    open_ = ~net.full & (moving[0::2] | moving[1::2])
    gap = (x[0::2] + x[1::2]) / net.length[0::2] - 1
    half = np.where(net.piece == 0, 1.0, -1.0) * (2 * x / net.length - 1)
    out = {
        "meet": (np.flatnonzero(open_), gap[open_]),
        "release": (j[held], (ahead / scale)[held]),
        "waist": (j[moving & net.bent], half[moving & net.bent]),
    }
    away = held & (x > 1.5 * net.mouth)
    out["withdraw"] = (j[away], -(back / scale)[away])
    for status, name, value in ((ADVANCE, "stop", -ahead), (RECEDE, "turn", back)):
        own = net.status == status
        speed = value / scale * net.length / np.maximum(x, 1e-5 * net.length)
        out[name] = (j[own], speed[own])
    if net.grains is not None:
        live = np.flatnonzero(np.isnan(net.blocked_at))  # a throat closes once
        out["blocked"] = (live, (count / net.grains.draws - 1)[live])
        tube, flow, _ = net.links(pressure)
        size = np.maximum(np.abs(flow), net.tubes.area(2 * tube, 0.0) * STILL)
        out["reverse"] = (tube, np.where(net.sign[tube] == 0, -1, -net.sign[tube] * flow / size))
        through = net.bed_flow(pressure)
        size = np.maximum(np.abs(through), net.beds.section * STILL)
        turned = np.where(net.bed_sign == 0, -1, -net.bed_sign * through / size)
        out["reverse bed"] = (np.arange(len(through)), turned)
        free = net.status == FREE
        speed = -net.sense * ahead / scale * net.length / np.maximum(x, 1e-5 * net.length)
        out["swing"] = (j[free], speed[free])
    return out | body_signs(net, pressure, in_bodies) if net.body.any() else out


def _advance(net, pressure, h, tolerance):
    """One step, shortened to the first event inside it. Returns (h, P, happened, growth)."""
    if net.grains is not None:
        ahead, _ = drives(net, pressure)
        net.sense = np.sign(ahead)
        tube, flow, _ = net.links(pressure)
        net.sign[tube] = _way(flow, net.tubes.area(2 * tube, 0.0))
        net.bed_sign = _way(net.bed_flow(pressure), net.beds.section)
    cargo, share_then, resist_then, again = net.cargo, net.share, net.resist, 0
    before = signs(net, pressure, net.x, cargo and cargo.count, net.held)
    for k in range(300):
        try:
            end, stage, links, weight = net.step(h, pressure)
            coarse, _, links2, weight2 = net.step(h, pressure, 2)
        except (Failed, np.linalg.LinAlgError):
            h *= 0.4
            continue
        j = net.moving
        error = np.abs(end - coarse).max(initial=0.0, where=True) / net.length.min()
        held = _held(net, links, weight)
        if len(net.filling):
            apart = np.abs(held - _held(net, links2, weight2))[net.filling]
            error = max(error, (apart / net.body[net.filling]).max())
        if error > tolerance and h > 1e-14 * max(net.time, 1e-300):
            h *= max(0.2, 0.9 * (tolerance / error) ** 0.25)
            continue
        if (end < 0.3 * net.mouth[j]).any():
            h *= 0.5
            continue
        x = net.x.copy()
        x[j] = end
        if net.grains is not None:
            cargo, share_then, resist_then, apart = net.carried(x, links, weight, h)
            if apart > net.carries:
                h *= max(0.2, 0.8 * (net.carries / apart) ** 0.5)
                again += 1
                continue
            off = np.abs(share_then / (net.share + h * net.trend) - 1).max()
            net.trend = (share_then - net.share) / h
            off = max(off, _grow_beds(net, stage, resist_then, h))
            if off > SHARES_OFF:
                again += 1
                continue
        keep = net.x, net.share, net.resist, net.time
        net.x, net.share, net.resist, net.time = x, share_then, resist_then, net.time + h
        try:
            after_p = net.instant(stage[-1])
            after = signs(net, after_p, x, cargo and cargo.count, held)
        finally:
            net.x, net.share, net.resist, net.time = keep
        share = 1.0
        for name, (_, value) in after.items():
            first = before[name][1]
            over = value > TIGHT
            if name in MAY_START_AT_0:  # when just let go
                over &= first < -TIGHT
            if over.any():
                low = np.minimum(first[over], -1e-30) * 0.5 ** (k - again)
                share = min(share, max((low / (low - value[over])).min(), 1e-3))
        if share < 1.0:
            h *= share
            continue
        shrunk = x < net.x
        net.x, net.held, net.time = x, held, net.time + h
        net.cargo, net.share, net.resist = cargo, share_then, resist_then
        grow = min(4.0, 0.9 * (tolerance / max(error, 1e-300)) ** 0.25)
        return h, after_p, _happen(net, before, after, shrunk), grow
    raise RuntimeError(f"no step found at t = {net.time:g} s")


def _way(flow, area):
    """1 or -1; 0 where a flow is at its turn, as near as pressures are known."""
    return np.where(np.abs(flow) > 100 * TIGHT * STILL * area, np.sign(flow), 0)


def _grow_beds(net, stage, resist_then, h):
    """Lay down how beds grow in the next try of the step; how far off that was in this one."""
    c = RADAU[3].sum(1)
    before = net.resist_at(c, h)
    net.bed_flows = -stage[:, net.bed_node] / before
    net.resist_trend = (resist_then - net.resist) / h
    return np.abs(net.resist_at(c, h) / before - 1).max(initial=0.0)


def _held(net, links, weight):
    """Liquid in the bodies, (n,) m3, after the step."""
    held, i = net.held.copy(), net.filling
    if len(i):
        held[i] += net.gains(weight @ links)[i]
    return held


def _happen(net, before, after, shrunk):
    """Carry out the events met at the end of a step."""
    near, happened = -10 * TIGHT, False
    for name, (index, value) in after.items():
        for i, g, first in zip(index, value, before[name][1], strict=True):
            if g < near or (name not in ("meet", "blocked", "body full") and g <= first):
                continue
            if name.startswith("body"):
                _happen_to_body(net, name, i)
            elif name == "meet" and not net.full[i]:
                net.fill(i)
            elif name == "blocked" and np.isnan(net.blocked_at[i]):
                net.close(i)
            elif name == "waist" and net.status[i] >= ADVANCE:
                net.status[i], net.at_waist[i] = HELD, True
                net.x[i] = net.length[i] / 2
            elif name in ("stop", "turn") and net.status[i] >= ADVANCE:
                net.status[i] = HELD
            elif name in ("release", "withdraw") and net.status[i] == HELD:
                net.at_waist[i], go = False, name == "release"
                if net.bent[i] and abs(net.x[i] - net.length[i] / 2) < 1e-12 * net.length[i]:
                    net.piece[i] = int(go)
                plain = FREE if not net.fluid.hysteresis else None
                net.status[i] = plain or (ADVANCE if go else RECEDE)
            elif name not in ("reverse", "reverse bed", "swing"):
                continue
            happened = True
    empty = (net.status >= ADVANCE) & (net.x <= net.mouth) & shrunk
    net.status[empty] = HELD
    return happened or bool(empty.any())


def _happen_to_body(net, name, i):
    if name == "body full" and net.body_status[i] >= ADVANCE:
        net.fill_body(i)
    elif name == "body empty" and net.body_status[i] >= ADVANCE:
        net.held[i], net.body_status[i] = 0.0, HELD
    elif name.startswith("body turn") and net.body_status[i] >= ADVANCE:
        net.body_status[i] = HELD
    elif name in ("body on", "body back") and net.body_status[i] == HELD:
        on = ADVANCE if name == "body on" else RECEDE
        net.body_status[i] = on if net.fluid.hysteresis else FREE


def _guess(net, pressure):
    """A first step: a hundredth of what the fastest meniscus needs for its tube."""
    j = net.moving
    if len(j) == 0:
        return np.inf
    q, _ = net.meniscus_flow(j, net.x[j], pressure[net.node[j]])
    need = np.abs(net.tubes.volume(j, net.length[j]) / np.where(q == 0, 1e-300, q))
    inlet = net.inlet[net.node[j]]  # infinitely fast at first: use the resistance of the tube
    if inlet.any():
        drive = pressure[net.node[j]] + net.tubes.extra(j, net.x[j], net.mode(j), net.piece[j])
        long = np.maximum(net.x[j], 0.1 * net.length[j])
        q2 = np.abs(net.share[j] * net.tubes.flow(j, long, drive)[0])
        need = np.where(inlet, net.tubes.volume(j, long) / np.maximum(q2, 1e-300), need)
    return 0.01 * need.min()


__all__ = ["GONE", "soak"]
