"""The order of work, the jobs: the loop, no sound arithmetic."""
