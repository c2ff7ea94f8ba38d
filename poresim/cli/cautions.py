"""The cautions as the help of a command prints them."""

import textwrap

from poresim.outcome.cautions import CAUTIONS as _SENTENCES

_LINES = (line for one in _SENTENCES for line in textwrap.wrap(one, 86))
CAUTIONS = "cautions:\n" + "".join(f"  {line}\n" for line in _LINES)
