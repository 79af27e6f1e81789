//go:build !linux

package logger

func unmapProgram() {}
