"""The review desk: a local web application on which drafts are checked against their sound, and signed.

`routes.py` lists every address with the roles that may use it; `app.py` puts the application together.
"""
