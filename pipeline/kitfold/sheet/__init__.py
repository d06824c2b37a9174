"""Pages and pictures from a manifest."""
