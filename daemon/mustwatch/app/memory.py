"""Memory nobody needs any more, given back to the system: a Pi has little, and other programs want it too.

What was imported, parsed or drawn leaves holes behind. The C library keeps them for the next who asks, which after the
start is nobody.
"""

import ctypes
import gc


def freeze() -> None:
    """Call once everything is imported and built: that stays for good, and need not be looked through again."""
    gc.collect()
    gc.freeze()
    _trim()


def give_back() -> None:
    """Call after a large job."""
    gc.collect()
    _trim()


def _trim() -> None:
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError):  # another C library than glibc, which has its own ways
        return
    trim(0)
