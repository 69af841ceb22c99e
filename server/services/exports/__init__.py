"""A cohort's data as files: tables as CSV or JSON, statements as xAPI."""
