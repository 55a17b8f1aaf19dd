"""Motion features of each epoch."""
