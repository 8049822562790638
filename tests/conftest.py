"""What holds for every test."""

import os

from hypothesis import HealthCheck, settings

# How fast a machine is says nothing of a law; `moteledger bench` measures speed.
ANY_MACHINE = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow], "max_examples": 50}
settings.register_profile("any machine", **ANY_MACHINE)
# Every run at home draws new examples; the gate draws the same ones each time, so that a change is judged by itself.
settings.register_profile("gate", **ANY_MACHINE, derandomize=True)
settings.load_profile("gate" if os.environ.get("CI") else "any machine")
