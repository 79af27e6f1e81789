package main

import (
	"context"

	"greywatt/cmd/greywatt/internal/cli"
)

// run is the program: it returns the exit code and never ends the process.
func run(ctx context.Context, args []string, con *cli.Console) int {
	return greywattProgram().Run(ctx, args, con)
}

func greywattProgram() *cli.Program {
	return &cli.Program{Commands: commands(), Version: programVersion}
}

// commands returns all verbs, in the order in which help lists them.
func commands() []cli.Command {
	return []cli.Command{
		demoCommand(),
		checkCommand(),
		noteCommand(),
		notesCommand(),
		runCommand(),
		usersCommand(),
		watchCommand(),
		importCommand(),
		recipeCommand(),
		eventsCommand(),
		alarmsCommand(),
		chartCommand(),
		budgetCommand(),
		summaryCommand(),
		trendCommand(),
		diagnoseCommand(),
		offsetsCommand(),
		commissionCommand(),
		reportCommand(),
		exportCommand(),
		rejectedCommand(),
		readmitCommand(),
		clocksCommand(),
		dumpCommand(),
		backupCommand(),
		restoreCommand(),
		salvageCommand(),
		eraseCommand(),
		simulateCommand(),
		planCommand(),
		completionCommand(),
		versionCommand(),
	}
}
