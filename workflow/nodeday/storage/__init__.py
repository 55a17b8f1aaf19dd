"""The only door to disk: tables, their contract, frames and samples stream by stream, the ledger."""
