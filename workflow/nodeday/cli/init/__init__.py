"""A new study's folder: its settings from answers, asked for or given as flags."""
