"""The contract's asserts explain themselves as those of a test module do."""

from __future__ import annotations

import pytest

pytest.register_assert_rewrite("tests.store.contract")
