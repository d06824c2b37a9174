"""The starter kit: what a folder of bounces tells, and a kit.toml that builds from it."""
