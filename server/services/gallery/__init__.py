"""The gallery: every finding and look-alike to be reviewed, and what reviewers remark."""
