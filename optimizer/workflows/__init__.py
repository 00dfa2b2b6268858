"""One file a job: each takes inputs and returns a result."""
