"""Stage `features`: heart beats, and what the heart and the body did in each epoch."""
