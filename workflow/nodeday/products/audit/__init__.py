"""The proof of a finished study: every table derived anew from its captures and held to what is stored."""
