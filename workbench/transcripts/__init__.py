"""Transcripts of interviews: who said what, in turns, from the formats they come in."""
