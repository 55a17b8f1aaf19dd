"""Stage `frames`: bytes of a capture to frames, and everything else to rejects."""
