"""The daemon: starts the stages in order, stops them in reverse, and keeps them going in between."""
