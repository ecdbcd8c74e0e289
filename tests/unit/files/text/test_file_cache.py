"""What is kept of files."""

from yieldsim.files.text.file_cache import Kept


def test_the_least_lately_used_is_dropped_first():
    held = Kept(10)
    for key in "abc":
        held.put(key, key.upper(), 4)
        held.get("a")
    assert [held.get(key) for key in "abc"] == ["A", None, "C"]
    held.put("large", "L", 11)
    held.put("a", "new", 2)
    assert [held.get(key) for key in ("a", "c", "large")] == ["new", "C", None]
