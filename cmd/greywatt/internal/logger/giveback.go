package logger

import "runtime/debug"

// GiveBack returns memory to the system after work that needed much: of the heap
// what is free, and the pages of the program file that it needed. The kernel maps
// sixteen pages for each one that is touched, and a start touches most of the program,
// of which a quarter is used again. Those come back from the file's cache as they are used.
func GiveBack() {
	debug.FreeOSMemory()
	unmapProgram()
}
