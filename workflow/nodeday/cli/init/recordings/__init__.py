"""A new study from recordings that are decoded already: what their columns measure, and what to ask."""
