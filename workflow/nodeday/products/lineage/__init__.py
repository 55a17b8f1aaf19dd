"""From any cell of any table back to the bytes that it came from. No stage: it reads what stages wrote."""
