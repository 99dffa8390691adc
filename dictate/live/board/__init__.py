"""The room board: a page that shows the examination to someone standing three metres away.

`app.py` answers requests, `feed.py` hands the newest picture to every open page, `entry.py` guards the
door on a network, `server.py` runs it all in a thread, `static/` is the page.
"""
