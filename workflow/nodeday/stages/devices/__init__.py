"""Stage `devices`: what is done before the day, at the bench and on paper."""
