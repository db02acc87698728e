"""A seeded saboteur: real monitors and commands on a plant whose share, state, clock and processes it spoils.

    python -m tests.saboteur --acts 500 --seed 7

After each act the invariants of judge.py are checked against what the saboteur itself knows (world.py).
"""
