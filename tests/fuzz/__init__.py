"""Attacks on the command line and the readers behind it, made from a seed, under limits of time and memory.

    python -m tests.fuzz                 # one minute, a seed of its own, which it prints
    python -m tests.fuzz 30 --seed 7     # thirty minutes of the same attacks on every machine
    python -m tests.fuzz --seed 7 --only 1234   # one attack again, with all that it shows

A *failure* is a fault that isn't named (any exception but the exit), a status other than 0, 1 and 2, an answer on standard
output beside status 2, a character that a terminal obeys, a warning of a library, or a limit that was passed.
"""
