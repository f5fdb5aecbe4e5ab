"""The commands; they call tasks only."""
