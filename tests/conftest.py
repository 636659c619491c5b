"""What holds for all tests."""

from hypothesis import settings

# The same examples in each run, so that one that fails can be repeated; a busy machine is no fault.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
