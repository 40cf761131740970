"""Looks at a campaign while it goes on, planned beforehand.

Looking again and again at growing data, with an ordinary test each time, finds a change where
there is none: each look is another chance. Here all looks share one error probability.

- `schedule`: in which order the runs are made, and after which of them a look is taken.
- `spending`: how much of the error probability a look may use, and its critical value. Pure
  numbers, without runs.
- `looks`: runs in; the word, the estimate and its interval out.
- `forecast`: how likely an answer is by a number of runs, and what a plan can resolve.
- `variants`: several variants at once.
"""
