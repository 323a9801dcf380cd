"""The command line: a command collects, calls one function and shows the result."""

from workbench.cli.main import app, main

__all__ = ["app", "main"]
