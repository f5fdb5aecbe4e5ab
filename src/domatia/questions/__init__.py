"""One file a question."""
