"""Answers become a document."""
