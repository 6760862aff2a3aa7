"""Every sentence that a user reads, made from typed facts and laid out in blocks; :mod:`matchkit.cli.printing` sets them in columns.

The rules are in ``docs/words.md``: the verdict first, then the reason, the number, the doubt, and what to do next; words of the trade, one a thing;
nothing said twice.
"""
