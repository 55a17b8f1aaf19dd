"""Audit: what a session lost and why, and the proof that every stored table follows from its captures.

`nodeday audit SESSION` reads a session's tables of loss: :mod:`.session` collects them, :mod:`.checks` holds
them against the limits of the study and against the stored frames, :mod:`.describe` puts them into words.

`nodeday audit --all` proves a finished study: :mod:`.prove` runs the stages anew in a scratch folder,
:mod:`.compare` compares each table cell by cell with the stored one, and :mod:`.checkpoints` counts from the
bytes to the samples once more without the code of the stages. Neither changes the results.
"""
