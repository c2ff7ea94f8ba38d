"""Text from files that cannot steer the page: what controls the direction of text is spelt out."""

from __future__ import annotations

import re
import unicodedata
from typing import Any

from markupsafe import Markup

#: Joiners and soft hyphens are parts of words in some scripts.
_IN_WORDS = "\u00ad\u200c\u200d"
#: Between a number and its unit, and within a number, no line is broken.
_HELD = re.compile(
    r"(?<=\d) (?=(?:%|°|s|ms|µs|ns|min|h|1/s|mPa s|kg|g|mg|µg|mm|µm|µL|N|mN)(?![\w]))"
    r"|(?<=\d) (?=\d{3}(?!\d))|(?<=\bmPa) (?=s\b)"
)
_STEERS = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def visible(text: str) -> str:
    """The text with control characters and marks of direction as ``⟨U+202E⟩``."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if _is_plain(c) else f"⟨U+{ord(c):04X}⟩" for c in text)


def _is_plain(character: str) -> bool:
    if character in "\n\t" or character in _IN_WORDS:
        return True
    return unicodedata.category(character) not in _STEERS


def shown(value: Any) -> Any:
    """What a template may show of a value: all text but its own passes through here."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return visible(value)
    return value


def held(text: str) -> str:
    """The text with numbers and their units kept on one line."""
    return _HELD.sub("\u00a0", text)
