"""Phantoms against their truth: what `scripts/validate` prints.

`histories` says what is run, `prepare` renders it, `runs` measures and compares, `limits` holds what was promised,
`summary` and `report` count and print, `page` draws. Both packages are used here and neither knows of it.
"""
