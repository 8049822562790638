"""Turns readings into estimates, the ledger and advice."""
