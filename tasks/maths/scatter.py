"""What makes a robust measure of scatter a standard deviation."""

from __future__ import annotations

from typing import Final

#: The SD of normal values is so many times their median absolute deviation: 1 / Phi^-1(3/4),
#: rounded as papers print it.
MAD_TO_SD: Final = 1.4826
