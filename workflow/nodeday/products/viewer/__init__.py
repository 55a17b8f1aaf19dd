"""The day view: a session on one time axis, from the whole day to a heartbeat, on this machine only."""
