"""Stage `simulate`: captures whose truth is known, from synthetic or recorded signals."""
