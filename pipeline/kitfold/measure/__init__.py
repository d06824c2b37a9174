"""Numbers about a sound, no opinions."""
