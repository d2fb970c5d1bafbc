"""A system of one's own: written from a chart, its rules learned from codes known to be good, its chart fitted to keys.

`chart` reads a depth-and-space chart, `answers` and `questions` gather what a chart doesn't say, `draft` writes the
commented file and changes one without losing its comments. `families` lists the rules that can be learned, `evidence`
weighs one, `learn` chooses among them. `fit` finds the dimensions of a chart from measured keys.
"""
