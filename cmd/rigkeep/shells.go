package main

// The completion scripts call the program with the words as an array and never
// evaluate what was typed.
var completionScripts = map[string]string{
	"bash": `# rigkeep completion for bash: source <(rigkeep completion bash)
_rigkeep() {
  local IFS=$'\n' line
  COMPREPLY=()
  while IFS= read -r line; do
    COMPREPLY+=("${line%%$'\t'*}")
  done < <("${COMP_WORDS[0]}" __complete "${COMP_WORDS[@]:1:COMP_CWORD}" 2>/dev/null)
  if [ ${#COMPREPLY[@]} -eq 0 ]; then compopt -o default 2>/dev/null || true; fi
}
complete -F _rigkeep rigkeep
`,
	"zsh": `#compdef rigkeep
# rigkeep completion for zsh: source <(rigkeep completion zsh)
_rigkeep() {
  local -a lines cands
  local line
  lines=("${(@f)$("${words[1]}" __complete "${(@)words[2,CURRENT]}" 2>/dev/null)}")
  for line in "${lines[@]}"; do
    [[ -n "$line" ]] && cands+=("${${line%%$'\t'*}//:/\\:}:${line#*$'\t'}")
  done
  if (( ${#cands} )); then _describe rigkeep cands; else _files; fi
}
if [ "$funcstack[1]" = "_rigkeep" ]; then _rigkeep "$@"; else compdef _rigkeep rigkeep; fi
`,
	"fish": `# rigkeep completion for fish: rigkeep completion fish | source
function __rigkeep_complete
  set -l words (commandline -opc) (commandline -ct)
  $words[1] __complete $words[2..-1] 2>/dev/null
end
complete -c rigkeep -a '(__rigkeep_complete)'
`,
	"powershell": `# rigkeep completion for PowerShell: rigkeep completion powershell | Out-String | Invoke-Expression
Register-ArgumentCompleter -Native -CommandName rigkeep -ScriptBlock {
  param($wordToComplete, $commandAst, $cursorPosition)
  $words = @($commandAst.CommandElements | Select-Object -Skip 1 | Where-Object { $_.Extent.EndOffset -lt $cursorPosition } | ForEach-Object { $_.Extent.Text })
  $words += $wordToComplete
  & $commandAst.CommandElements[0].Extent.Text __complete @words 2>$null | ForEach-Object {
    $word, $about = $_ -split [char]9, 2
    if (-not $about) { $about = $word }
    [System.Management.Automation.CompletionResult]::new($word, $word, 'ParameterValue', $about)
  }
}
`,
}
