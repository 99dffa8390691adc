"""Recognisers behind one Protocol; each in a file of its own."""
