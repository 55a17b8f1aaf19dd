"""From any cell of any table back to the bytes that it came from. No room: it reads what rooms wrote."""
