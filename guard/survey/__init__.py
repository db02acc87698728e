"""Looks at a share that nobody described yet, and proposes a configuration with its doubts."""
