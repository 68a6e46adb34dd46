"""Recalls and trace exercises: decided, frozen from a trace, told, answered, ended; nothing leaves one unsigned."""
