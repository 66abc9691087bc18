"""The config edge: TOML text with units in, frozen SI parameters out.

``quantities`` reads and shows values with units, ``load`` reads a config. This package itself
imports nothing, so that ``quantities`` stays cheap.
"""
