"""What a bench measures, made numbers with their uncertainty: functions over arrays, SI units.

A module a measurement; none reads files, draws or prints.
"""
