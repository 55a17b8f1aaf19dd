"""One time for all nodes: ticks to hub time, hub time to UTC, each along the lower edge of delays."""
