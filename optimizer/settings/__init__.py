"""The windows: their language, their replay, the search that finds them, and why."""
