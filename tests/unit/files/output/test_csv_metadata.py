"""Words about the columns of result tables, and how units are spelt on the disk."""

import netCDF4
import numpy as np
import pytest
import xarray as xr

from yieldsim.base.dataset import add
from yieldsim.files.output.csv_metadata import csv_metadata
from yieldsim.files.output.dataset import write_dataset


def test_columns_say_unit_and_meaning():
    found = csv_metadata({"a.csv": ["time_utc", "delivered_kwh", "mount2_clean_fraction"]}, {"version": "1"})
    time, energy, clean = found["tables"][0]["tableSchema"]["columns"]
    assert (time["datatype"], energy["schema:unitText"], clean["schema:unitText"]) == ("dateTime", "kWh", "1")
    assert clean["dc:description"].startswith("mount 2: share of the light that the dust")
    assert found["dc:provenance"] == {"version": "1"}


def test_a_column_of_no_meaning_is_a_mistake_of_the_program():
    with pytest.raises(KeyError):
        csv_metadata({"a.csv": ["colour"]}, {})


def test_energies_are_in_a_unit_that_udunits_reads(tmp_path):
    ds = add(xr.Dataset(coords={"time": [0]}), "stored_energy_kwh", np.ones(1))
    write_dataset(ds, tmp_path / "a.nc")
    with netCDF4.Dataset(tmp_path / "a.nc") as raw:
        assert raw["stored_energy_kwh"].units == "kW h"
    assert ds["stored_energy_kwh"].attrs["units"] == "kWh"
