"""Output files: tables, the cleaned log, the manifest, folders that are complete or absent, and hidden names."""

from analysis.output.earlier_run import read_earlier
from analysis.output.manifest import LIBRARIES, MADE_BY, MANIFEST, manifest_text, read_proof, run_manifest_text
from analysis.output.name_key import assign_codes, codes_for_names, key_path, key_text, read_key, write_key
from analysis.output.name_search import NameSearch
from analysis.output.new_file import cannot_write_error, refuse_existing, write_new_file
from analysis.output.pseudonyms import (
    hidden_fields,
    hidden_values,
    hide_names_in_reasons,
    hide_names_in_standard,
    hide_names_in_table,
    pseudonymise,
)
from analysis.output.run_folder import OutputPlace, claim_folder, refuse_foreign, run_folder
from analysis.output.run_lock import run_lock
from analysis.output.write import (
    csv_text,
    write_check,
    write_csv,
    write_log,
    write_manifest,
    write_tables,
)

__all__ = [
    "LIBRARIES",
    "MADE_BY",
    "MANIFEST",
    "NameSearch",
    "OutputPlace",
    "assign_codes",
    "cannot_write_error",
    "claim_folder",
    "codes_for_names",
    "csv_text",
    "hidden_fields",
    "hidden_values",
    "hide_names_in_reasons",
    "hide_names_in_standard",
    "hide_names_in_table",
    "key_path",
    "key_text",
    "manifest_text",
    "pseudonymise",
    "read_earlier",
    "read_key",
    "read_proof",
    "refuse_existing",
    "refuse_foreign",
    "run_folder",
    "run_lock",
    "run_manifest_text",
    "write_check",
    "write_csv",
    "write_key",
    "write_log",
    "write_manifest",
    "write_new_file",
    "write_tables",
]
