"""Output files: tables, the cleaned log, the manifest, folders that are complete or absent, and hidden names."""

from analysis.output.earlier_run import read_earlier
from analysis.output.manifest import LIBRARIES, MANIFEST, read_proof, run_manifest_text
from analysis.output.name_key import assign_codes, codes_for_names, key_path, read_key, write_key
from analysis.output.name_search import NameSearch
from analysis.output.new_file import cannot_write_error, refuse_existing, write_new_file
from analysis.output.pseudonyms import (
    field_names_with_codes,
    hide_names_in_reasons,
    hide_names_in_standard,
    hide_names_in_table,
    pseudonymise,
    replacements_in_column,
)
from analysis.output.run_folder import OutputPlace, claim_folder, refuse_foreign, run_folder
from analysis.output.run_lock import run_lock
from analysis.output.write import (
    csv_text,
    write_check,
    write_log,
    write_manifest,
    write_tables,
)
