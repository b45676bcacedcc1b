"""A night as it comes in: look at the folder, measure what is new, judge the night so far, tell what has changed."""
