"""Stage `simulate`: captures whose truth is known, from invented or recorded signals."""
