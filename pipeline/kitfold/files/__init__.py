"""Reading and writing: the one door to the disk."""

from kitfold.files.names import file_name_problem, safe_file_name
from kitfold.files.read import SoundFacts, read_sound, region_s, sha256_of, sound_facts
from kitfold.files.store import Store, open_store
from kitfold.files.swap import fresh_folder, recover
from kitfold.files.write import (
    Contents,
    Digest,
    WrittenFiles,
    digest_of,
    master_bytes,
    write_bytes,
    write_master,
    write_parts,
    write_text,
)

__all__ = [
    "Contents",
    "Digest",
    "SoundFacts",
    "Store",
    "WrittenFiles",
    "digest_of",
    "file_name_problem",
    "fresh_folder",
    "master_bytes",
    "open_store",
    "read_sound",
    "recover",
    "region_s",
    "safe_file_name",
    "sha256_of",
    "sound_facts",
    "write_bytes",
    "write_master",
    "write_parts",
    "write_text",
]
