"""Making cards of photographs: drafts, what is marked in them, and their review."""
