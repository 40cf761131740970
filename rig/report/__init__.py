"""Results as a person reads them: tables and small plots for the terminal."""
