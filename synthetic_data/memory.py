"""
Freed memory is kept by the process that draws or trains, instead of given back to the system and asked
for again.

Pictures and layers of a network are blocks of many megabytes. The C library of Linux maps each such block
anew and the kernel clears its pages: a third of the processor time of drawing and of a training step
(DECISIONS.md, decision 118).
"""

from __future__ import annotations

import ctypes
import sys
from typing import Final

_M_TRIM_THRESHOLD: Final = -1
_M_MMAP_MAX: Final = -4
"""Names and numbers of mallopt(3), Linux man-pages; malloc.h of the GNU C library has the same numbers."""

_NEVER: Final = -1
"""As a threshold for trimming, by the same page."""


def keep_memory() -> bool:
    """
    Let this process keep what it frees, for the blocks that it will want next.

    For processes that draw or train on a processor, called once by whatever starts them; never on import, and
    never where photos are read, since memory then stays as high as it once was (a training step of two
    pictures: 5.8 instead of 4.9 GB).

    Returns
    -------
    bool
        Whether the C library has the switch and took it; elsewhere nothing changes.
    """
    if sys.platform != "linux":
        return False
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is None:
        return False
    mallopt.argtypes, mallopt.restype = (ctypes.c_int, ctypes.c_int), ctypes.c_int
    return all(
        mallopt(switch, value) == 1 for switch, value in ((_M_MMAP_MAX, 0), (_M_TRIM_THRESHOLD, _NEVER))
    )
