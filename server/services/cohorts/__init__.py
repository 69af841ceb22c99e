"""Cohorts: made and led, joined and left, and what their leads see of them."""
