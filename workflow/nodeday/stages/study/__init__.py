"""Stage `study`: the study's own tables and its analysis-ready dataset, from finished sessions."""
