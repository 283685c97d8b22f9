# SPDX-License-Identifier: MIT
"""The contract between host and board: lines, the CBOR profile, messages. Knows nothing else."""
