"""The study as a dataset to hand over: package, provenance, exports, a copy for sharing. No room: it
reads what the rooms wrote and makes nothing of its own."""
