"""The local page: a scenario folder seen and filled in with a browser on the same machine.

``server`` opens the port and ends all with the command; ``guard`` lets nobody else in; ``shell`` puts the
parts together; a ``part`` is one heading of the page, registered in ``registry``; ``folder`` is the scenario
folder, the one truth; ``job`` runs a command of the program beside the page.
"""
