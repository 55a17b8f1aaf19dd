"""What was lost, when, and why."""
