"""Every table that a command prints and the results folder holds, each described once."""
