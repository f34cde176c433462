"""The paced loop around several hosts: one cycle of each in turn, one stop for all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from drivers.base import Drive, SharesSync
from hil.bench import TiedBenches
from hil.host.awake_process import AwakeProcess
from hil.host.host import Host
from hil.host.processor_share import ShareWatch


class AwakeForAny(AwakeProcess):
    """The process that keeps the processor awake while any of several benches needs it.

    Args:
        number: process id; None if no such process runs.
        name: axis of this object's bench.
        needs: present need of every bench, by axis; one mapping shared by all objects.
    """

    def __init__(self, number: int | None, name: str, needs: dict[str, bool]) -> None:
        super().__init__(number)
        self._name = name
        self._needs = needs

    def work(self, needed: bool) -> None:
        """Set this bench's need and continue or suspend the process; see the base class."""
        self._needs[self._name] = needed
        super().work(any(self._needs.values()))


class AxesLoop:
    """The hosts of one process, in the order of the axes; the first one leads.

    Args:
        hosts: hosts by axis, not yet run, with open drives.
        synchronised: for each axis with a SYNC, the axis that sends it.
        awake: id of the process that keeps the processor awake; None if no such process runs.
        share: watch over the processor share of all simulated rigs.
    """

    def __init__(
        self,
        hosts: Mapping[str, Host],
        synchronised: Mapping[str, str],
        awake: int | None,
        share: ShareWatch,
    ) -> None:
        self.hosts = dict(hosts)
        self.tied = TiedBenches({name: host.bench for name, host in hosts.items()})
        self._leads = drives_led({name: host.drive for name, host in hosts.items()}, synchronised)
        needs: dict[str, bool] = {}
        for name, host in hosts.items():
            host.tied = self.tied
            host.awake = AwakeForAny(awake, name, needs)
            host.share = share

    @property
    def ending(self) -> bool:
        """True once any host is to end."""
        return any(host.ending for host in self.hosts.values())

    def end_soon(self) -> None:
        """End every host after the present cycle."""
        for host in self.hosts.values():
            host.ending = True

    def run(self) -> None:
        """Cycle until any host is to end; then de-energise every drive."""
        hosts = tuple(self.hosts.values())
        pace = hosts[0].pace
        for host in hosts:
            host.begin(pace)
        for leader, followers in self._leads:
            leader.lead(followers)
        tied = self.tied
        try:
            while not self.ending:
                periods = pace.wake()
                tied.before()
                # Write every command first: serving one axis must not delay the command of another.
                written = [host.control(periods) for host in hosts]
                tied.after()
                for host, written_s in zip(hosts, written, strict=True):
                    host.serve(written_s)
                pace.end(written[-1])
        finally:
            for host in hosts:
                host.drive.de_energise()
            for leader, _ in self._leads:
                leader.lead(())
        for host in hosts:
            host.end()


def drives_led(
    drives: Mapping[str, Drive], synchronised: Mapping[str, str]
) -> list[tuple[SharesSync, Sequence[Drive]]]:
    """Return each drive that sends the SYNC of other drives, with those drives."""
    found: dict[str, list[Drive]] = {}
    for name, drive in drives.items():
        leader = synchronised.get(name, name)
        if leader != name and isinstance(drive, SharesSync):
            found.setdefault(leader, []).append(drive)
    return [
        (drive, followers)
        for name, followers in found.items()
        if isinstance(drive := drives[name], SharesSync)
    ]
