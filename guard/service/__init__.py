"""The monitor that runs by itself: when it does what, what it watches, and how the system runs it."""
