"""Stage `devices`: what is done before the day of recording, at the bench and on paper."""
