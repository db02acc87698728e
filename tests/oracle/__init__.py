"""A second evaluation of verdicts, written for plainness from the rules alone; nothing here imports the tool.

`plants` and `story` make a plant from a seed and let things happen to it, `reading` reads its share with the
standard library, `memory` remembers what was seen and told when, `standing` says how an arm stands by it, `judging`
(with `cells` and `power`) what the verdict must be, `tally` how often each finding was, and `comparing` asks the real command line (`calling`, kept warm by `warm`) the same.
"""
