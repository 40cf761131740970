"""Plays the host's side of firmware_protocol.md and says which of its rules a board keeps."""
