"""The log comes back: the pull review."""
