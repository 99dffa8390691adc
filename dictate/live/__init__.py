"""The live examination: sound to disk, to words, to findings, to the board, with nothing lost on the way.

Read `run.py` first: it is the loop. `state.py` and `view.py` are pure; everything else fronts one outside
thing (disk, sound card, browser, terminal).
"""
