"""Codings of interviews: who applied which code where, and which codings count."""
