"""Logger and judge for a home-built motor test stand."""
