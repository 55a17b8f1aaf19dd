"""Lineage: from any cell of any table back to the bytes that it came from.

It reads what the stages wrote, and makes nothing new. :mod:`.cell` is the way in; :mod:`.lookup` resolves a
key to a row, :mod:`.signal`, :mod:`.features`, :mod:`.losses` and :mod:`.summaries` walk back from rows,
:mod:`.capture` adds the bytes, and :mod:`.step` holds a trace and shows it.

Counts in a trace are counted anew from frames and gaps, never copied from the row that is traced.
"""
