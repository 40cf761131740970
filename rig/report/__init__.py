"""Results as a person reads them: on the terminal, and as a file that can be handed on."""
