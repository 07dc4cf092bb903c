"""Owns clips that a table calls by their file: which result that is stands in index.csv."""

from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from layermotion.agreement.readings import FileNames, rows_have
from layermotion.errors import InputError
from layermotion.session.index import INDEX, read_index


def names_of_files(results: Mapping[str, Path]) -> FileNames:
    """Give the clips that each name of a file stands for, with and without its ending.

    Parameters
    ----------
    results
        The file of results of each clip; the index lies beside its folder.

    Raises
    ------
    InputError
        If an index cannot be read.
    """
    clips: dict[str, set[str]] = defaultdict(set)
    folders = {path.resolve().parent for path in results.values()}
    for out in {folder.parent for folder in folders}:
        for entry in read_index(out):
            if entry.clip in results and out / entry.folder in folders:
                for name in {entry.file, Path(entry.file).stem}:
                    # Tables lose this beginning on reading.
                    clips[name.removeprefix("clip-")].add(entry.clip)
    # A clip goes by its own name, whatever a file is called.
    return {name: frozenset(own) for name, own in clips.items() if name not in results}


def clips_of(names: pd.Series, files: FileNames, table: str) -> list[str]:
    """Put the clip in place of the name of its file.

    Parameters
    ----------
    names
        What the table calls each clip; its index has the rows.

    Raises
    ------
    InputError
        If several results are of files of that name.
    """
    shared = names[names.isin([name for name, clips in files.items() if len(clips) > 1])]
    if not shared.empty:
        name = shared.iloc[0]
        raise InputError(
            f"{table} {rows_have(shared.index[shared == name].tolist())} the clip {name}, and "
            f"{len(files[name])} measured files have that name; write the clip that {INDEX} gives."
        )
    return [next(iter(files.get(name, (name,)))) for name in names]
