"""The pages, each a script of its own; `workbench.app.navigation` lists them."""
