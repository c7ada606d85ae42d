"""The style elements that Dash and plotly put into a page, as hashes for the page's policy.

Nothing of ours needs them: they dress components that no page has, and plotly's is empty (it fills it rule by
rule, which the policy does not look at). Named all the same, so that the browser has nothing to complain of.
tests/browser/test_look.py fails when a new version of Dash brings others.
"""

from __future__ import annotations

DIGESTS = (
    "+QoPrsxO0auPnxSulD3bAr9CoDGgzv7YRfYE0vfxeQI=",
    "0IJGrxhCP5NUIafylLkj5118xkZH1kp5FmNio7NOckI=",
    "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=",
    "Aq43X0SlmB69maWGob4rp/UuSHhwePalkRRExtsxOJ8=",
    "Do5Z9ZqsPvCQTUBQS9BnDm/2+on7omuzuLYk5sbA+2s=",
    "ITR5T9OwskhdqdsliUJRmgp9ltOFAHgXe1F7eRvGnmQ=",
    "MJs2ke1SA6Cy3tTCZu2QH0rj0r//iNqU0idy9bM4leg=",
    "SkhFDxgIcEjMhRh19uSHWrkdnAlZ9rlskgr9yLsipa8=",
    "VUA+tqvhK3niMn7AdszqidMFPRh9FLqxB2iINUrsiTw=",
    "X2TqJwnIiE/ceDVeAdr7v7BOWBU6CEzE6qxlNzBzvBk=",
    "Z8VokGxeiKThZOEmkdUgfW+jxbvItBwAXC8M1c4wqAM=",
    "uDiOZWps1U7E8/0BTaQrclYMhVhRVE4dT0vb5X6nXOw=",
)
"""SHA-256 in base64 (CSP level 2, 'hash-source')."""

HASHES = " ".join(f"'sha256-{digest}'" for digest in DIGESTS)
"""The same as sources of a policy."""
