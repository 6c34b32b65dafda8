"""Sheets for the bench: their pages, their CSV, their typesetting."""
