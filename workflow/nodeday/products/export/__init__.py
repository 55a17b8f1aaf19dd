"""Export: the study as a dataset to hand over, in open formats, with its provenance.

It reads what the stages wrote and computes nothing new: a data package, CSV, EDF+ and WFDB files, the methods
of the study, a manifest of hashes, and a copy for sharing without dates.
"""
