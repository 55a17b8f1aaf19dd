"""The study as a dataset to hand over: package, provenance, exports, a copy for sharing. No stage: it
reads what the stages wrote and makes nothing of its own.
"""
