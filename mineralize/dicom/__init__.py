"""Folder to checked CT series: files, headers, rules, series choice, pixels.

Nothing is imported here, so that the child processes that decode pixels start fast.
"""
