"""Chart parts and one style."""
