"""Plants and colonies month by month, and the crew that visits them; counts its own truth."""
