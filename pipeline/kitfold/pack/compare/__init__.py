"""Compare: what changed between two builds or packs, sound by sound.

`parts` lays both out as sounds with their settings; `spectrum` is the one thing that is measured, the rest are figures
of the manifests, which `kitfold verify` proves; `compare` puts them side by side.
"""
