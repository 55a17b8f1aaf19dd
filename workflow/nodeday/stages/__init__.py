"""The chain, a folder for each stage, with simulate and devices beside it. No stage imports another."""
