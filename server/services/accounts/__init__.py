"""Accounts: making one, signing in, getting back in, and who may do what."""
