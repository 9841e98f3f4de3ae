"""Every module of the house has its tests where a reader looks for them: tests/<room>/test_<module>.py."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

# The modules without a test file of their own, each with the reason. A package's __init__ only gathers its room's names.
ELSEWHERE = {
    "bridge/__main__.py": "two lines; every test of tests/cli runs the program through them",
    "bridge/tables/types.py": "frozen values without behaviour; tests/tables/test_compiled.py compares each",
    "bridge/tables/telling_terms.py": "frozen values without behaviour; tests/test_site.py compares each",
    "bridge/store/schema_bench.py": "declared tables; tests/store/test_migrate.py compares every one with what the steps make",
    "bridge/store/schema_parts.py": "as above, tests/store/test_migrate.py",
    "bridge/store/audit_commands.py": "frozen values; tests/store/test_commands.py counts them among the commands",
    "bridge/store/schema_accounts.py": "as above, tests/store/test_migrate.py",
    "bridge/store/apply_quick.py": "the contract of benches in tests/store/test_sqlite.py and postgres/test_store.py",
    "bridge/store/memory_quick.py": "the twin's benches; the contract in tests/store/test_memory.py",
    "bridge/store/reads_quick.py": "as apply_quick.py",
    "bridge/store/quick_commands.py": "frozen values; tests/store/test_commands.py counts them among the commands",
    "bridge/store/account_commands.py": "frozen values; tests/store/test_commands.py counts them among the commands",
    "bridge/store/memory_accounts.py": "the twin's accounts; the contract in tests/store/test_memory.py",
    "bridge/store/migrations/versions/m0045_accounts.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0057_run_at.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0061_sure.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0161_benches.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0062_from_a_directory.py": "as above, tests/store/test_migrate.py",
    "bridge/store/addition_commands.py": "as above, tests/store/test_commands.py",
    "bridge/store/schema_additions.py": "as above, tests/store/test_migrate.py",
    "bridge/store/memory_additions.py": "the twin's additions; the contract in tests/store/test_memory.py",
    "bridge/store/migrations/versions/m0064_additions.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/envelope_commands.py": "frozen values; tests/store/test_commands.py counts them among the commands",
    "bridge/store/apply_envelopes.py": "what is done with envelopes; the contract tests/store/envelope_contract.py asks each store",
    "bridge/store/reads_envelopes.py": "as above, tests/store/envelope_contract.py",
    "bridge/store/memory_envelopes.py": "as above, tests/store/envelope_contract.py",
    "bridge/store/migrations/versions/m0052_envelopes.py": "as above, tests/store/test_migrate.py",
    "bridge/store/digest_commands.py": "a frozen value; tests/store/test_commands.py counts it among the commands",
    "bridge/store/memory_digest.py": "the twin's digest; the contract in tests/store/test_memory.py",
    "bridge/store/life_commands.py": "frozen values; tests/store/test_commands.py counts them among the commands",
    "bridge/store/stop_commands.py": "as above, tests/store/test_commands.py",
    "bridge/store/memory_stops.py": "the twin's stops; the contract in tests/store/test_memory.py",
    "bridge/store/migrations/versions/m0046_owners.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/append_only.py": "run by the migrations; tests/store/test_sqlite.py tries to break it",
    "bridge/store/reads.py": "a list of classes; the contracts in tests/store/test_sqlite.py and tests/store/postgres/test_store.py ask each",
    "bridge/store/apply_lot.py": "lots of controls; the contract tests/store/gate_contract.py asks each store",
    "bridge/store/memory_apply.py": "the twin's commands; the contract in tests/store/test_memory.py",
    "bridge/store/memory_audit.py": "the twin's audit trail; the contract in tests/store/test_memory.py",
    "bridge/store/memory_clock.py": "the twin's clocks; the contract in tests/store/test_memory.py",
    "bridge/store/memory_day_log.py": "the twin's day logs; the contract in tests/store/test_memory.py",
    "bridge/store/memory_life.py": "the twin's lives of analyzers; the contract in tests/store/test_memory.py",
    "bridge/store/memory_correction.py": "the twin's corrections; the contract in tests/store/test_memory.py",
    "bridge/store/memory_replacement.py": "the twin's replaced results; the contract in tests/store/test_memory.py",
    "bridge/store/migrations/versions/m0053_replacements.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/memory_look_back.py": "the twin's look-backs; the contract in tests/store/test_memory.py",
    "bridge/store/memory_gate.py": "the twin's gates; the contract in tests/store/test_memory.py",
    "bridge/store/memory_lease.py": "the twin's leases; many processes run on them in tests/faults/test_simulation.py",
    "bridge/store/memory_operators.py": "the twin's register; the contract in tests/store/test_memory.py",
    "bridge/store/memory_month.py": "the twin's monthly review; the contract in tests/store/test_memory.py",
    "bridge/store/memory_numbers.py": "the twin's missing numbers, signed days and runs; the contract in tests/store/test_memory.py",
    "bridge/store/memory_lots.py": "the twin's containers and lots; the contract in tests/store/test_memory.py",
    "bridge/store/memory_outcome.py": "the twin's RecordOutcome; the contract in tests/store/test_memory.py",
    "bridge/store/memory_rows.py": "the twin's rows; the contract in tests/store/test_memory.py",
    "bridge/store/memory_telling.py": "the twin's tasks of telling; the contract in tests/store/test_memory.py",
    "bridge/store/memory_signals.py": "the twin's signals; the contract in tests/store/test_memory.py",
    "bridge/store/memory_shown.py": "the twin's reads for pages; the contract in tests/store/test_memory.py",
    "bridge/store/migrations/env.py": "run by every start of a store; tests/store/test_migrate.py",
    "bridge/store/migrations/versions/m0001_first.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0002_captures_stay.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0006_one_open_delivery.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0005_purge.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0003_lane_heads.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0004_leases.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0007_committed.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0008_dense.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0009_found_at_once.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0010_gates.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0011_open_by_state.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0015_clocks.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0020_corrections.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0016_numbers.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0018_tellings.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0022_signals.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0017_release.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0029_lives.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0039_registered.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0047_pauses.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/today_commands.py": "frozen values; tests/store/test_commands.py counts them, the contract does them",
    "bridge/store/memory_today.py": "the twin's pauses and notes; the contract in tests/store/test_memory.py",
    "bridge/store/memory_reports.py": "the twin's reports; the contract in tests/store/test_memory.py",
    "bridge/store/memory_registered.py": "the twin's registered identifiers; the contract in tests/store/test_memory.py",
    "bridge/store/migrations/versions/m0019_life.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0043_look_back_acts.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0023_audit.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0021_reports.py": "a migration never changes; tests/store/test_migrate.py runs it",
    "bridge/store/migrations/versions/m0012_containers.py": "a migration never changes; tests/store/test_migrate.py runs it",
}


def modules() -> dict[str, Path]:
    """Give each module of the package with the test file that it should have."""
    found = sorted(path.relative_to(ROOT) for path in (ROOT / "bridge").rglob("*.py") if path.name != "__init__.py")
    return {path.as_posix(): Path("tests", *path.parts[1:-1], f"test_{path.name}") for path in found}


@pytest.mark.parametrize("module", sorted(modules().keys() - ELSEWHERE.keys()))
def test_a_module_has_its_tests(module: str) -> None:
    """One look shows whether a module is tested, and where."""
    tests = ROOT / modules()[module]
    assert tests.is_file(), f"{module} has no {modules()[module]}"
    assert "\ndef test_" in tests.read_text(encoding="utf-8") or "    def test_" in tests.read_text(encoding="utf-8")


def test_every_exception_is_a_module_without_tests() -> None:
    """An exception that is no longer one is taken off the list; each names a reason and, where it names a test, a real one."""
    assert [name for name in ELSEWHERE if name not in modules() or (ROOT / modules()[name]).exists()] == []
    for reason in ELSEWHERE.values():
        assert reason
        for word in reason.split():
            if word.startswith("tests/"):
                assert (ROOT / word.strip(";,")).exists(), word


def test_a_rooms_door_holds_no_behaviour() -> None:
    """An __init__ needs no tests as long as it holds names and Protocols only: nothing in it runs."""
    for path in sorted((ROOT / "bridge").rglob("__init__.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            is_protocol = isinstance(node, ast.ClassDef) and [ast.unparse(base) for base in node.bases] == ["Protocol"]
            assert is_protocol or isinstance(node, ast.Import | ast.ImportFrom | ast.Expr | ast.Assign), path
