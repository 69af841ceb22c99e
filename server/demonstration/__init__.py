"""An invented school, to try the pages of a course lead on: nobody in it is real."""
