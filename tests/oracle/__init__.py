"""A second evaluation of verdicts, written for plainness from the rules alone; nothing here imports the tool.

`plants` makes a plant from a seed and `story` lets things happen to it (`saving`, `deeds`, `faults`), with days between
them (`clock`); `reading` reads its share with the standard library, `recipe` says what a set lacks, `memory` remembers
what was seen and told, `standing` says how an arm stands by it, and `judging` what the verdict must be (with `cells`,
`charge`, `power`, `lapses`). `comparing` asks the real command line (`calling`, kept warm by `warm`) the same, and
`tally` counts how often each finding was in the answers.
"""
