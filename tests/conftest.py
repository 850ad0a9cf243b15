"""Property tests try the same examples on every run and have no time limit each: a busy machine is no fault."""

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
