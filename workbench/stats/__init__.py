"""Statistics on plain arrays: numpy and scipy only, no files, no labels, no printing."""
