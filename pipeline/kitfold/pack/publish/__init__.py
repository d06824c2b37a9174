"""Publish: a kit as one file for others to download, use, check to the bit and build again.

`rights` says whether it may be; `names` what its files are called; `full`, `editions`, `readme`, `tables`, `rebuild`
and `original` make them; `contents` puts them together; `archive` writes the zip.
"""
