"""For how long each picture of a film stays, in the ticks of a file's clock."""

from __future__ import annotations

from fractions import Fraction

from poresim.show.films.film import Film


def rate(film: Film) -> Fraction:
    """Pictures a second as a ratio that clocks of whole numbers can keep: 29.97 is 2997/100."""
    return Fraction(film.fps).limit_denominator(1001)


def ticks(film: Film, number: int, per_s: int) -> int:
    """For how many ticks the picture stays; the last as long as the film rests, or its turn.

    What is rounded off one picture is made up for by the next: the sum never strays from
    number / fps by more than half a tick.
    """
    end = round((number + 1) * per_s / rate(film))
    turn = end - round(number * per_s / rate(film))
    return max(turn, round(film.rest_s * per_s)) if number == len(film) - 1 else turn


def turns(film: Film) -> int:
    """How many pictures of equal length the film takes, the last one repeated while it rests."""
    return len(film) - 1 + max(1, round(film.rest_s * rate(film)))
