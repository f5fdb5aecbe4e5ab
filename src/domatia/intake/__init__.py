"""Tables become proposed records with their place of origin; double entry."""
