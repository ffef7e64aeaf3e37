"""The package names what other rooms use: every public function and record of its subjects, and nothing that is not."""

import importlib
import inspect
import pkgutil

import intervals.exchange as package

INNER = {"batch_flow", "batch_jobs", "batch_push", "curve", "flow", "whole_unit", "yields"}
"""Inner works; other rooms ask `share_curve`, `simulate`, `run_sequence`, `plan_exchange` and `plan_many`."""

KEPT_INSIDE = {"coverage_z", "need_model", "share_inputs", "share_model", "z_for_risk"}


def test_every_name_the_package_promises_is_there_once():
    assert len(set(package.__all__)) == len(package.__all__)
    assert [name for name in package.__all__ if not hasattr(package, name)] == []


def test_every_public_function_and_record_of_a_subject_is_named():
    unnamed = []
    for found in pkgutil.iter_modules(package.__path__):
        if found.name in INNER:
            continue
        module = importlib.import_module(f"{package.__name__}.{found.name}")
        unnamed += [
            f"{found.name}.{name}"
            for name, member in vars(module).items()
            if (inspect.isfunction(member) or inspect.isclass(member))
            and member.__module__ == module.__name__
            and not name.startswith("_")
            and name not in package.__all__
        ]
    assert sorted(name for name in unnamed if name.split(".")[1] not in KEPT_INSIDE) == []
