"""Stage."""
