"""Beats of an ECG stream and the heart features of each epoch."""
