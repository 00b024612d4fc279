"""The closing pressure: at which step the lung started to close, and how sure that is."""
