"""From computed results and measurements to answers: pure statistics, arrays in, arrays out.

`shapley` and `shares` (what several causes have of a difference), `design` and `sensitivity` (what
varied quantities have of a variance); `laws` (priors), `surface` (features as functions of the
unknowns, learnt from a bank of runs), `temper` (posterior and evidence of one explanation),
`compare` (probabilities of rival ones), `information` (what a further test would tell),
`calibration` (whether probabilities hold what they say). Nothing here knows of files or liquids.
"""
