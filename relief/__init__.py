"""From a picture to a carved relief on a three-axis router."""

__version__ = "0.1.0"
