"""Commands of `nodeday`, a module each: its help, its arguments, and what it does."""
