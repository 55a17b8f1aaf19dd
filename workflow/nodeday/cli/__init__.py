"""Arguments in, exit code out."""
