"""Everything around the grammar: sound, recognisers, commands, storage, pages and exports."""

__version__ = "0.1.0"
