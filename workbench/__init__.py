"""Questionnaires, tests across conditions and interview coding for within-subject studies."""
