"""Stage `repair`: received frames to samples in time, short gaps filled, the rest visibly missing."""
