package main

// A run of one command, or of several that ask the same of a library: the invocation, seen for what only they need.
// What every command needs is the invocation's own.
type (
	buildRun    struct{ *invocation }
	checkRun    struct{ *invocation }
	compareRun  struct{ *invocation }
	demoRun     struct{ *invocation }
	deviceRun   struct{ *invocation }
	diagnoseRun struct{ *invocation }
	driverRun   struct{ *invocation }
	explainRun  struct{ *invocation }
	fitRun      struct{ *invocation }
	followRun   struct{ *invocation }
	bundleRun   struct{ *invocation }
	gimbalRun   struct{ *invocation }
	historyRun  struct{ *invocation }
	jobRun      struct{ *invocation }
	markRun     struct{ *invocation }
	pagesRun    struct{ *invocation }
	partRun     struct{ *invocation }
	proveRun    struct{ *invocation }
	reviewRun   struct{ *invocation }
	saveRun     struct{ *invocation }
	serveRun    struct{ *invocation }
	setRun      struct{ *invocation }
	rigRun      struct{ *invocation }
	showRun     struct{ *invocation }
	startRun    struct{ *invocation }
	syncRun     struct{ *invocation }
	trustRun    struct{ *invocation }
	unitRun     struct{ *invocation }
)
