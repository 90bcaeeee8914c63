"""How each setup is held."""
