# SPDX-License-Identifier: MIT
"""Configure ready-built firmware over the USB cable, guided, checked twice and stored whole."""
