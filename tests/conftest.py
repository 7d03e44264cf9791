"""Settings of all tests."""

from hypothesis import settings

# Laws are held by values: how long a try takes tells of the machine and its load, and not of the law.
settings.register_profile("laws", deadline=None)
settings.load_profile("laws")
