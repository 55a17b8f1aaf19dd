"""Stage `report`: a page for each session and one for the study, with the rows behind every figure."""
