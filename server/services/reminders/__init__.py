"""Keeping a learner at it: the time set aside, a calendar feed of it, and reminders by mail."""
