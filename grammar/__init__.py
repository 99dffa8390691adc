"""Text in, findings out: the rule-based grammar of the spoken neurological examination.

Pure: no audio, no network, no clock. `parse` never raises on any text.
"""
