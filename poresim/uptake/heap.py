"""A queue of events by time: a binary heap in two arrays."""

from __future__ import annotations

from poresim.tube.jit import inner


@inner
def push(times, tubes, count, time, tube):
    """Enter an event; returns the new count. The arrays must have room."""
    i = count
    while i > 0:
        parent = (i - 1) // 2
        if times[parent] <= time:
            break
        times[i] = times[parent]
        tubes[i] = tubes[parent]
        i = parent
    times[i] = time
    tubes[i] = tube
    return count + 1


@inner
def pop(times, tubes, count):
    """(time, tube, new count) of the earliest event."""
    time, tube = times[0], tubes[0]
    count -= 1
    last_time, last_tube = times[count], tubes[count]
    i = 0
    while True:
        child = 2 * i + 1
        if child >= count:
            break
        if child + 1 < count and times[child + 1] < times[child]:
            child += 1
        if last_time <= times[child]:
            break
        times[i] = times[child]
        tubes[i] = tubes[child]
        i = child
    times[i] = last_time
    tubes[i] = last_tube
    return time, tube, count
