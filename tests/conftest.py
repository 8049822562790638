"""What holds for every test."""

from hypothesis import settings

# How fast a machine is says nothing of a law; `moteledger bench` measures speed.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
