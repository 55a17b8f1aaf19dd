"""nodeday: a day of raw frames from body-worn nodes, turned into validated tables."""

__version__ = "0.1.0"
