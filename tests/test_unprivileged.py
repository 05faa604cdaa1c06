"""The helper that takes rights away must really take them away."""

import unprivileged


def test_a_command_runs_without_the_rights_of_root():
    with unprivileged.open_folder() as folder:
        done = unprivileged.run_python("import os; print(os.geteuid())", cwd=folder)

    assert done.returncode == 0, done.stderr
    assert int(done.stdout) != 0


def test_a_folder_without_rights_cannot_be_written():
    with unprivileged.open_folder() as folder:
        closed = folder / "closed"
        closed.mkdir()
        unprivileged.hand_over(folder)
        closed.chmod(0o500)
        done = unprivileged.run_python("open('closed/file', 'w')", cwd=folder)

    assert done.returncode != 0
    assert "PermissionError" in done.stderr


def test_a_folder_with_rights_can_be_written():
    with unprivileged.open_folder() as folder:
        done = unprivileged.run_python("open('file', 'w').write('x')", cwd=folder)

        assert done.returncode == 0, done.stderr
        assert (folder / "file").read_text() == "x"
