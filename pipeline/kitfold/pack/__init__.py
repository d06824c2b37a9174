"""From masters to what a device stores, and the manifest that proves it."""
