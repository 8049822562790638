"""What holds for every test."""

import os
import shutil
import sys
from pathlib import Path

from hypothesis import HealthCheck, settings

# How fast a machine is says nothing of a law; `moteledger bench` measures speed.
ANY_MACHINE = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow], "max_examples": 50}
settings.register_profile("any machine", **ANY_MACHINE)
# Every run at home draws new examples; the gate draws the same ones each time, so that a change is judged by itself.
settings.register_profile("gate", **ANY_MACHINE, derandomize=True)
settings.load_profile("gate" if os.environ.get("CI") else "any machine")

# The matrices here are small, and threads that wait for each other take the time of the other tests. Read when numpy is
# first loaded, here and in every process that a test starts.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Many tests start the command or a service, each of which loads the same modules: they are compiled once.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# A store waits for the disk at every step, and a busy disk makes the tests wait for minutes. Here processes are killed
# and no power is cut, so that a file system in memory tells the same, where there is one with room for a few runs.
MEMORY, ENOUGH_BYTES = Path("/dev/shm"), 2 * 10**9
if os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ENOUGH_BYTES:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))
