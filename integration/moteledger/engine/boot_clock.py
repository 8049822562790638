"""The clock that nobody can set: seconds since the machine was started, and which of its starts that was."""

import sys
import time
from pathlib import Path

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def since_boot_s() -> float:
    """Seconds since the machine was started, sleep included where the system tells; no setting of the time moves it."""
    if sys.platform == "linux":
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


def boot_id() -> str | None:
    """What tells this start of the machine from every other one (random(4)); None where the system does not say."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip() or None
    except OSError:
        return None
