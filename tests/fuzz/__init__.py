"""Hostile input of every kind, made by hypothesis, through the real command line within its bounds (bounds.py).

python -m pytest tests/fuzz                              # a few seconds each
python -m pytest tests/fuzz --hypothesis-profile=long    # fifty times as much
"""
