"""One file a check: tables in, findings out."""
