"""Coverage and false-alarm rates on simulated fleets with planted truth.

Every ``calibrate_*.py`` is made in one shape, so that ``python -m calibrate NAME --jobs 2`` (or ``--cluster ADDRESS``) spreads its
fleets over processes, and a run that was stopped goes on from the fleets it has (``runner``):

    def judge_fleet(world: str, number: int) -> dict[str, float]:
        rng = np.random.default_rng([SEED, number])  # a fleet's draws are seeded by its number, whoever runs it
        ...

    def main(arguments: list[str] | None = None) -> None:
        parser = runner.make_parser(__doc__)  # brings --jobs, --cluster, --fresh
        parser.add_argument("--fleets", type=int, default=100)
        asked = parser.parse_args(arguments)
        with runner.use(asked):
            for world in WORLDS:
                tasks = [(world.name, number) for number in range(asked.fleets)]
                judged = runner.run_fleets(judge_fleet, tasks, what=world.name)  # in the order of the tasks
                ...

A task is a tuple of text and numbers, handed to the function as its arguments: it names what is simulated rather than carrying
it, and is the key under which the result is kept. Where fleets of a cell are drawn one after another from one generator, the
cell is the task. What changes the result belongs into the task (runs, draws, seed).
"""
