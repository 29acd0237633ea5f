"""Every command, thin."""
