"""What a user can ask for; the only room that joins store, science and paper."""
