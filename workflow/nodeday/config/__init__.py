"""What people wrote: the study, its sheets, bench plans and the records of devices."""
