"""Keeping a bench record as a draft: from a readings file, or in the middle of the questions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calfleet.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from calfleet.site import SiteFolder


def put_down_draft(
    folder: SiteFolder, content: Mapping[str, object], person: str | None, *, note: str = ""
) -> None:
    """Keep ``content`` as a draft, entered by ``person`` or else who performed it, and say so."""
    from calfleet.services.drafts import missing, put_down
    from calfleet.services.look_up import person_code

    performer = content.get("performed_by")
    actor = person or (performer if isinstance(performer, str) else None)
    if actor is None:
        raise UsageError(
            "Nobody is named who puts this draft down.",
            rule="Every record tells who entered it.",
            next_step="Say who with --as PERSON, or name the person in the readings file.",
        )
    with folder.reading() as session:
        actor = person_code(session, actor)
    with folder.work(
        actor=actor, action="put down draft", subject=str(content.get("tag", "")), reason=note
    ) as work:
        made = put_down(work, content, note=note)
        work.commit()
    place = f" in place of {made.replaces}" if made.replaces else ""
    print(f"Put down as draft {made.number} of {made.tag}{place}.")
    lacking = missing(made.content)
    if lacking:
        print(f"Still missing: {', '.join(lacking)}.")
    print(f"Nothing is recorded yet. Sign it: calfleet draft sign {made.number}")
