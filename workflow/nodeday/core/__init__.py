"""What knows nothing of sensors: errors, arrays, files, sheets, processes, the style of pages."""
