"""Checkpoints: a lead composes a fixed test, everybody meets the same eyes, and what it says."""
