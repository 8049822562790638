"""What holds for every test."""

import os

from hypothesis import settings

# How fast a machine is says nothing of a law; `moteledger bench` measures speed.
settings.register_profile("any machine", deadline=None)
# Every run at home draws new examples; the gate draws the same ones each time, so that a change is judged by itself.
settings.register_profile("gate", deadline=None, derandomize=True)
settings.load_profile("gate" if os.environ.get("CI") else "any machine")
