"""Settings of all tests."""

from hypothesis import settings

# A busy machine is no failing law: examples have no deadline, the whole test has pytest's.
settings.register_profile("coworn", deadline=None)
settings.load_profile("coworn")
