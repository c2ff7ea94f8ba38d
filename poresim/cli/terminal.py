"""What the commands share at the terminal: safe text, faults, signals, the progress bar."""

from __future__ import annotations

import json
import signal
import sys
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

DONE, WRONG_REQUEST, NOT_FINISHED, INTERRUPTED = 0, 2, 3, 130


def plain(text: object) -> str:
    """One line without control characters: text from files must not drive the terminal."""
    kept = "".join(" " if unicodedata.category(c) in _CONTROL else c for c in str(text))
    return kept.rstrip()


_CONTROL = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def say(text: str = "") -> None:
    """A result, on standard output; the lines of ``text`` are our own, its words may not be."""
    for line in text.split("\n"):
        print(plain(line))


def say_figures(paths: Iterable[Path]) -> None:
    """A line a file: figures, each with the numbers that it draws."""
    for path in paths:
        say(("numbers: " if path.suffix == ".csv" else "figure:  ") + str(path))


def remark(text: str) -> None:
    """A remark, on standard error."""
    print(plain(text), file=sys.stderr, flush=True)


def result_json(value: Any) -> None:
    """A result as JSON on standard output."""
    print(json.dumps(value, indent=2, ensure_ascii=True, allow_nan=False))


def prepare() -> None:
    """Never fail on a character that the terminal cannot show."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


@contextmanager
def interruptible() -> Iterator[None]:
    """Let SIGTERM and a lost terminal end the work as Ctrl-C does: what is finished is kept."""
    before: dict[int, Any] = {}
    _wish.heeded = _wish.pending = False
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is None or signal.getsignal(number) is signal.SIG_IGN:
            continue
        try:
            before[number] = signal.signal(number, _interrupt)
        except ValueError:  # not in the main thread: someone else decides
            break
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class _Wish:
    """The wish to stop. While work heeds it, the signal only leaves word of it.

    An exception raised from a signal handler may land in a place that swallows it, such as the
    removal of a weak reference; work that looks for the wish now and then cannot miss it. A second
    signal raises at once, whatever is going on.
    """

    heeded = False
    pending = False


_wish = _Wish()


def _interrupt(*_: object) -> None:
    if _wish.heeded and not _wish.pending:
        _wish.pending = True
        return
    raise KeyboardInterrupt


@contextmanager
def heeding() -> Iterator[Callable[[], None]]:
    """Yields ``look``, to be called several times a second; it raises KeyboardInterrupt if due.

    Until its first call, signals act at once.
    """

    def look() -> None:
        _wish.heeded = True
        if _wish.pending:
            _wish.heeded = _wish.pending = False
            raise KeyboardInterrupt

    try:
        yield look
        if _wish.pending:
            look()
    finally:
        _wish.heeded = _wish.pending = False


@contextmanager
def bar(what: str) -> Iterator[Any]:
    """A progress bar with the time left; silent off a terminal. Yields ``move(fraction, text)``.

    It appears with the first move, and its clock starts then.
    """
    shown: Any = None

    def move(fraction: float, text: str = "") -> None:
        nonlocal shown
        if shown is None:
            from tqdm import tqdm

            form = "{desc} {percentage:3.0f} % |{bar}| {elapsed} gone, {remaining} left{postfix}"
            shown = tqdm(total=1.0, desc=what, disable=None, bar_format=form, file=sys.stderr)
        if text:
            shown.set_postfix_str(text, refresh=False)
        shown.update(max(0.0, min(fraction, 1.0) - shown.n))

    try:
        yield move
    finally:
        if shown is not None:
            shown.close()
