"""Manual and README: every link opens, every command line parses, every YAML block loads."""

from __future__ import annotations

import re
import shlex
import sys
from pathlib import Path

import pytest
import yaml

from hil.bench import load_rehearsal
from hil.core import COLUMNS
from hil.profile import SHIPPED, load_profile
from hil.profile.schema import Profile
from hil.sequences.reading import load_sequence
from tests.ui.manual import write_figures
from tests.ui.manual.write_commands import PAGE, commands_page
from ui import cli
from ui.manual import TOPICS, ManualError, find_topic, page_text, search
from ui.manual.catalogue import FOLDER

ROOT = Path(__file__).parents[3]
PAGES = {"README.md": (ROOT / "README.md").read_text()} | {
    f"ui/manual/{topic.name}.md": page_text(topic) for topic in TOPICS
}
LINKS = [
    (page, target) for page, text in PAGES.items() for target in re.findall(r"\]\(([^)]+)\)", text)
]
SHELL = [
    (page, line)
    for page, text in PAGES.items()
    for block in re.findall(r"```sh\n(.*?)```", text, re.S)
    for line in block.splitlines()
    if line.startswith("hookeline ")
]


@pytest.mark.parametrize(("page", "target"), LINKS)
def test_every_link_leads_somewhere(page: str, target: str) -> None:
    path = (ROOT / page).parent / target.partition("#")[0]
    written = path.suffix == ".md" and path.parent == FOLDER
    if written and any(t.name == path.stem for t in TOPICS):
        return  # a reference page, generated from the code
    assert path.is_file(), f"{page}: {target}"


def test_every_file_of_the_manual_is_a_topic() -> None:
    files = {path.stem for path in FOLDER.glob("*.md")}
    assert files == {topic.name for topic in TOPICS if topic.write is None}


@pytest.mark.parametrize(("page", "line"), SHELL)
def test_every_command_line_is_one_that_the_program_takes(page: str, line: str) -> None:
    words = shlex.split(line, comments=True)[1:]
    cli.parser((words[0],)).parse_args(words)


@pytest.mark.skipif(sys.version_info >= (3, 13), reason="argparse prints options otherwise")
def test_the_page_of_commands_is_what_help_prints(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "96")
    assert PAGE.read_text() == commands_page(), "run python -m tests.ui.manual.write_commands"


def test_the_page_of_figures_is_what_the_programs_measured() -> None:
    page = write_figures.figures_page()
    assert write_figures.PAGE.read_text() == page, "run python -m tests.ui.manual.write_figures"
    assert page.count("\n## ") == len(list(write_figures.KEPT.glob("*.json"))) > 0


@pytest.mark.parametrize("page", PAGES)
def test_every_yaml_block_is_sound(page: str, tmp_path: Path) -> None:
    for block in re.findall(r"```yaml\n(.*?)```", PAGES[page], re.S):
        data = yaml.safe_load(block.replace(", …}", "}"))
        if "steps" in data:
            file = tmp_path / "shown.yaml"
            file.write_text(block)
            load_sequence(file)
        elif "faults" in data:
            file = tmp_path / "faults.yaml"
            file.write_text(block)
            load_rehearsal(file)
        elif "reference" in data:  # part of a profile
            file = tmp_path / "part.yaml"
            file.write_text(f"based_on: {SHIPPED / 'bench_slide.yaml'}\nname: shown\n{block}")
            load_profile(file)
        else:
            assert "protocol" in data  # checked as a whole by test_described_boards


def test_reference_pages_name_every_column_and_key() -> None:
    columns = page_text(find_topic("columns"))
    assert all(f"`{column.name}`" in columns for column in COLUMNS)
    keys = page_text(find_topic("profile_keys"))
    assert all(f"`{name}" in keys for name in Profile.model_fields)


def test_an_unknown_topic_names_near_ones() -> None:
    with pytest.raises(ManualError, match="did you mean 'calibrate'"):
        find_topic("calibrat")


def test_search_finds_lines_whatever_their_case() -> None:
    found = list(search("EMERGENCY STOP"))
    assert {"safety", "bring_up"} <= {hit.topic.name for hit in found}
    assert not list(search("no such words here"))


def test_help_in_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["help"]) == 0
    assert "First power-up" in capsys.readouterr().out
    assert cli.main(["help", "safety"]) == 0
    assert "back-drives" in capsys.readouterr().out
    assert cli.main(["help", "safty"]) == 2
    assert "did you mean 'safety'" in capsys.readouterr().err
    assert cli.main(["help", "--search", "back-drives"]) == 0
    assert "safety: " in capsys.readouterr().out
