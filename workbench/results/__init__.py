"""The chain from a study folder to its results, and the folder they are written to."""
