"""Devices that carry the SunSpec marker and tell by themselves where everything lies.

`models.py` the definitions (`models.json`, made from the Alliance's own), `values.py` words to values,
`chain.py` the marker and the chain of models behind it, `sources.py` which points stand for a quantity,
`device.py` one device's poll. What of all this becomes which quantity is a profile of protocol "sunspec"
(`profiles/sunspec.toml` comes with Nightbank), so that a person can say otherwise.
"""
