"""How ice vanishes in its container, and what to order."""
