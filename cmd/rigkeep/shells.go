package main

// The completion scripts call the program with the words as an array and never
// evaluate what was typed.
var completionScripts = map[string]string{
	"bash": `# rigkeep completion for bash: source <(rigkeep completion bash)
_rigkeep() {
  # bash cuts words at = : and @ as well; rigkeep wants them whole again
  local rest=${COMP_LINE:0:COMP_POINT} breaks=${COMP_WORDBREAKS//[^=:@]/} word gap cur line i
  local -a words=() found=()
  for ((i = 0; i <= COMP_CWORD; i++)); do
    gap=${rest%%[![:blank:]]*}
    rest=${rest#"$gap"}
    word=${COMP_WORDS[i]}
    if ((i == COMP_CWORD)); then word=$rest; fi
    rest=${rest#"$word"}
    if ((i == 0)) || [ -n "$gap" ] || [ ${#words[@]} -eq 0 ]; then
      words[${#words[@]}]=$word
    else
      words[${#words[@]}-1]+=$word
    fi
  done
  cur=${words[${#words[@]}-1]}
  cur=${cur#[\"\']}
  words[${#words[@]}-1]=$cur
  local keep=''
  if [ -n "$breaks" ] && [ "$cur" != "${cur##*["$breaks"]}" ]; then
    keep=${cur%"${cur##*["$breaks"]}"}
    keep=${keep%@} # readline keeps an @ with the word behind it
  fi
  while IFS= read -r line; do
    line=${line%%$'\t'*}
    found+=("${line#"$keep"}")
  done < <("${COMP_WORDS[0]}" __complete "${words[@]:1}" 2>/dev/null)
  COMPREPLY=("${found[@]}")
  if [ ${#found[@]} -eq 0 ]; then
    compopt -o default 2>/dev/null || true
  elif [ ${#found[@]} -eq 1 ] && [[ ${found[0]} == *[=:@] ]]; then
    compopt -o nospace 2>/dev/null || true
  fi
}
complete -F _rigkeep rigkeep
`,
	"zsh": `#compdef rigkeep
# rigkeep completion for zsh: source <(rigkeep completion zsh)
_rigkeep() {
  local -a lines cands open
  local line word
  lines=("${(@f)$("${words[1]}" __complete "${(@)words[2,CURRENT]}" 2>/dev/null)}")
  for line in "${lines[@]}"; do
    [[ -n "$line" ]] || continue
    word="${line%%$'\t'*}"
    if [[ "$word" == *[=:@] ]]; then
      open+=("${word//:/\\:}:${line#*$'\t'}")
    else
      cands+=("${word//:/\\:}:${line#*$'\t'}")
    fi
  done
  if (( ${#cands} + ${#open} == 0 )); then _files; return; fi
  (( ${#open} )) && _describe rigkeep open -S ''
  (( ${#cands} )) && _describe rigkeep cands
}
if [ "$funcstack[1]" = "_rigkeep" ]; then _rigkeep "$@"; else compdef _rigkeep rigkeep; fi
`,
	"fish": `# rigkeep completion for fish: rigkeep completion fish | source
function __rigkeep_complete
  set -l words (commandline -opc) (commandline -ct)
  set -l found ($words[1] __complete $words[2..-1] 2>/dev/null)
  if test (count $found) -gt 0
    printf '%s\n' $found
  else
    __fish_complete_path (commandline -ct)
  end
end
complete -c rigkeep -f -a '(__rigkeep_complete)'
`,
	"powershell": `# rigkeep completion for PowerShell: rigkeep completion powershell | Out-String | Invoke-Expression
Register-ArgumentCompleter -Native -CommandName rigkeep -ScriptBlock {
  param($wordToComplete, $commandAst, $cursorPosition)
  $program = $commandAst.GetCommandName()
  $words = @($commandAst.CommandElements | Select-Object -Skip 1 | Where-Object { $_.Extent.EndOffset -lt $cursorPosition } | ForEach-Object {
    if ($_ -is [System.Management.Automation.Language.StringConstantExpressionAst]) { $_.Value } else { $_.Extent.Text }
  })
  # a dot before the word under way: before 7.3 an empty argument would be dropped
  $words += '.' + $wordToComplete.TrimStart("'", '"')
  & $program __complete-dot @words 2>$null | ForEach-Object {
    $word, $about = $_ -split [char]9, 2
    if (-not $about) { $about = $word }
    $text = $word
    if ($word -notmatch '^[\w./:=~+-][\w./:=@~+-]*$') { $text = "'" + $word.Replace("'", "''") + "'" }
    [System.Management.Automation.CompletionResult]::new($text, $word, 'ParameterValue', $about)
  }
}
`,
}
