"""Second opinions: bill, replay and limits read from the words of the files, in plain loops.

Nothing of the rooms beside it is known here, so that a slip there cannot be made here in the same way.
"""
