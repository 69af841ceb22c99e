"""What a learner means to do and what comes of it: the weekly goal, today, the weeks ahead."""
