"""What a run recorded, sealed: hashes, seal, signature, and what each of them proves."""
