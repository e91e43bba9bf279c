"""What all tests share."""

import os

from hypothesis import settings

# No deadline: machines that run these tests are shared. Where they run for every change, the
# same examples each time, so that a change is judged by what it changed.
settings.register_profile(
    "gaugeless", deadline=None, max_examples=60, derandomize=bool(os.environ.get("CI"))
)
settings.load_profile("gaugeless")
