"""Where the time of a soak goes: the functions that one step calls, by name.

They are found in the module of the step at run time, so that this follows it when it changes.
Compiled functions called by compiled ones are part of those that Python calls.
"""

from __future__ import annotations

import importlib
import inspect
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from typing import Any

import poresim as ps

MODULE, PACKAGE = "poresim.uptake.step", "poresim.uptake"
BETWEEN = "between them (Python, curve, front)"


class Timers:
    """Own time and calls of every wrapped function: what it calls that is wrapped is not its."""

    def __init__(self) -> None:
        self.own: dict[str, float] = defaultdict(float)
        self.calls: dict[str, int] = defaultdict(int)
        self._open = threading.local()

    def wrap(self, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        """The same function, timed."""

        def timed_call(*args: Any, **named: Any) -> Any:
            stack = self._open.__dict__.setdefault("stack", [])
            stack.append(0.0)
            began = time.perf_counter()
            try:
                return call(*args, **named)
            finally:
                took = time.perf_counter() - began
                self.own[name] += took - stack.pop()
                self.calls[name] += 1
                if stack:
                    stack[-1] += took

        return timed_call


def parts_of_a_step() -> dict[str, Callable[..., Any]]:
    """Functions of the march that the module of the step holds, compiled or not, by name."""
    found = vars(importlib.import_module(MODULE))
    return {
        name: value
        for name, value in found.items()
        if (inspect.isfunction(value) or hasattr(value, "py_func"))
        and getattr(value, "__module__", "").startswith(PACKAGE)
    }


def timed(run: Callable[[], ps.Soak]) -> dict[str, Any]:
    """Run a soak, whose kernels are compiled already, with every part of its step timed."""
    try:
        parts = parts_of_a_step()
        module = importlib.import_module(MODULE)
    except ModuleNotFoundError:
        return {"not_measured": f"there is no {MODULE}"}
    timers = Timers()
    for name, call in parts.items():
        setattr(module, name, timers.wrap(name, call))
    try:
        began = time.perf_counter()
        soak = run()
        wall = time.perf_counter() - began
    finally:
        for name, call in parts.items():
            setattr(module, name, call)
    own = dict(timers.own)
    own[BETWEEN] = wall - sum(own.values())
    return {
        "wall_s": wall,
        "steps": soak.steps,
        "solves": soak.solves,
        "seconds": dict(sorted(own.items(), key=lambda item: -item[1])),
        "calls": dict(timers.calls),
    }
