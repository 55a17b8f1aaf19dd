"""The viewer: a session on one time axis, from the full day to a heartbeat, for this machine only."""
