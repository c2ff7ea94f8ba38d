"""Calls of :mod:`poresim.tube.moving` by its address, which a ``WETTING`` record holds.

numba compiles a kernel again into every one that calls it, and ``advance`` is called everywhere:
called by its address, this one is compiled once, and only where a liquid asks for it.
"""

from __future__ import annotations

import functools
from typing import Any

from llvmlite import ir
from numba import cfunc, from_dtype, types
from numba.extending import intrinsic

from poresim.tube.jit import inner
from poresim.tube.law import FLOW_LAW
from poresim.tube.moving import ADVANCE, SPEED, TIME, moving
from poresim.tube.wetting import WETTING

_REALS = 5  # numbers after the records


def moving_address(tube: Any) -> int:
    """Where the compiled code stands in this process; ``tube``: the dtype of a tube's record."""
    return int(_compiled(tube).address)


@functools.cache  # for good: the code goes with its object
def _compiled(tube: Any) -> Any:
    records = [types.CPointer(from_dtype(one)) for one in (FLOW_LAW, WETTING, tube)]
    reals = [types.float64] * _REALS
    signature = types.float64(types.int64, *records, *reals, types.CPointer(types.float64))
    return cfunc(signature, cache=True, error_model="numpy")(moving)


@intrinsic
def _call(typing_context, address, what, law, wetting, tube, tilt, a, b, place, pressure):  # type: ignore[no-untyped-def]
    """(value, slope) from the code at that address."""
    real = types.float64
    signature = types.UniTuple(real, 2)(
        types.int64, types.int64, law, wetting, tube, *[real] * _REALS
    )

    def generate(context, builder, signature, args):  # type: ignore[no-untyped-def]
        whole, double = ir.IntType(64), ir.DoubleType()
        place = ir.IntType(8).as_pointer()
        kind = ir.FunctionType(
            double, [whole, *[place] * 3, *[double] * _REALS, double.as_pointer()]
        )
        slope = builder.alloca(double)
        builder.store(ir.Constant(double, 0.0), slope)
        records = [builder.bitcast(one, place) for one in args[2:5]]
        function = builder.inttoptr(args[0], kind.as_pointer())
        value = builder.call(function, [args[1], *records, *args[5:], slope])
        return context.make_tuple(builder, signature.return_type, (value, builder.load(slope)))

    return signature, generate


@inner
def moved(law, wetting, tube, tilt, x, place, pressure, time):
    """:func:`poresim.tube.moving.moving_advance`."""
    return _call(wetting.moving, ADVANCE, law, wetting, tube, tilt, x, time, place, pressure)


@inner
def moved_time(law, wetting, tube, tilt, start, end, place, pressure):
    """:func:`poresim.tube.moving.moving_time`."""
    whole, _ = _call(wetting.moving, TIME, law, wetting, tube, tilt, start, end, place, pressure)
    return whole


@inner
def moved_speed(law, wetting, tube, drive, s):
    """:func:`poresim.tube.moving.moving_speed`."""
    speed, _ = _call(wetting.moving, SPEED, law, wetting, tube, 0.0, s, 0.0, 0.0, drive)
    return speed
