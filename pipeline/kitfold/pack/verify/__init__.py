"""Verify: a build or a pack held against its manifest, years later and by somebody else.

`contents` opens it and checks what is cheap: `canonical` the zip's own bytes, `paths` names, `listing` hashes,
`reading` the schema, `claims` sums and licences, `agree` the rest of what needs no listening; `decode`, `riff` and
`figures` then look at the sounds. `verify` puts it together.
"""
