# Run once, as administrator, in the folder that holds site.toml and logs:
#   powershell -ExecutionPolicy Bypass -File runlog-watch.ps1
# It registers a scheduled task that starts the watcher with the computer and starts it again if it ends.
$folder = (Get-Location).Path
$runlog = (Get-Command runlog).Source
$action = New-ScheduledTaskAction -Execute $runlog -Argument "watch logs" -WorkingDirectory $folder
$trigger = New-ScheduledTaskTrigger -AtStartup
$settings = New-ScheduledTaskSettingsSet -RestartCount 999 -RestartInterval (New-TimeSpan -Minutes 1) `
    -ExecutionTimeLimit ([TimeSpan]::Zero) -AllowStartIfOnBatteries -DontStopIfGoingOnBatteries
Register-ScheduledTask -TaskName "runlog watch" -Action $action -Trigger $trigger -Settings $settings `
    -User "NT AUTHORITY\LOCAL SERVICE" -RunLevel Limited
Start-ScheduledTask -TaskName "runlog watch"
